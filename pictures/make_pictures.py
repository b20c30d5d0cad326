"""Make the pictures of the README anew, from the demo schedules as they are.

    make pictures
"""

from pathlib import Path

from exhaustsim.reporting import plots
from exhaustsim.studies.comparison import compare

HERE = Path(__file__).parent
SCHEDULES = HERE.parent / "demo_data" / "schedules"


def main() -> None:
    comparison = compare([SCHEDULES / f"dt1_{name}.toml" for name in ("standard", "faster", "too_fast")])
    pictures = {
        "bench": plots.pressure_by_position(comparison.verdicts[0].run),
        "side_by_side": plots.side_by_side(comparison),
    }
    for name, figure in pictures.items():
        path = HERE / f"{name}.png"
        figure.savefig(path, metadata={"Software": None})
        print(path.relative_to(HERE.parent))


if __name__ == "__main__":
    main()
