"""Make the pictures of the README anew, from the demo schedules as they are.

    make pictures
"""

from pathlib import Path

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.incidents import Leaker
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.reporting import plots
from exhaustsim.reporting.lessonplot import LessonPicture
from exhaustsim.reporting.machinefindings import find
from exhaustsim.reporting.machineplots import line_diagram
from exhaustsim.reporting.spreadplots import yield_picture
from exhaustsim.studies.comparison import compare
from exhaustsim.studies.lessons.course import lesson
from exhaustsim.studies.lessons.record import Stand
from exhaustsim.studies.yieldcurve import yield_curve
from exhaustsim.units import parse

HERE = Path(__file__).parent
VALVES, INDEX_TIMES = 200, (6.0, 6.5, 7.0, 7.2, 7.4, 7.6, 8.0, 8.5, 9.0, 10.0, 12.0)  # s
SCHEDULES = HERE.parent / "demo_data" / "schedules"


def main() -> None:
    comparison = compare([SCHEDULES / f"dt1_{name}.toml" for name in ("standard", "faster", "too_fast")])
    pictures = {
        "bench": plots.pressure_by_position(comparison.verdicts[0].run),
        "side_by_side": plots.side_by_side(comparison),
        "innocent_gauge": innocent_gauge(),
        "loaded_machine": loaded_machine(),
        "yield": pass_rate(),
    }
    for name, figure in pictures.items():
        path = HERE / f"{name}.png"
        figure.savefig(path, metadata={"Software": None})
        print(path.relative_to(HERE.parent))


def innocent_gauge():
    """Demonstration 13 at the setting that it asks about."""
    stand, one = Stand(SCHEDULES.parent), lesson(13)
    before, after = (one.last(stand, texts) for texts in (one.standard, {**one.standard, **one.asked}))
    return LessonPicture.of(one).draw(after, before)


def loaded_machine():
    """The leaker of the README's example."""
    return line_diagram(find(load_schedule(SCHEDULES / "dt1_standard.toml"), [Leaker(5, parse("1 Pa L/s", "throughput"))]))


def pass_rate():
    """Pass rate against index time under the demo tolerances; oven and RF between the standard card and the one that is too fast."""
    standard, too_fast = (load_schedule(SCHEDULES / f"dt1_{name}.toml") for name in ("standard", "too_fast"))
    tolerances = load_tolerances(SCHEDULES.parent / "tolerances" / "dt1.toml")
    return yield_picture(yield_curve(standard, tolerances, INDEX_TIMES, VALVES, quicker=too_fast))


if __name__ == "__main__":
    main()
