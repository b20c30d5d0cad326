"""Pictures show the run's own numbers, at bench size, with nothing overlapping and nothing cut off."""

import itertools
import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from fake_run import DEMO, fake_run, standard_schedule, with_values
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from exhaustsim.constants import CO2, GAS_COUNT, H2O, N2, ZERO_CELSIUS
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.reporting import canvas, ledgerbars, plots
from exhaustsim.reporting.canvas import PENS, Labels, decades, log_pressure_axis, new_figure, place, svg
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.verdict import judge
from exhaustsim.units import PASCAL_LITRE

MBAR, MICRON = 100.0, 0.133322387415  # Pa


@pytest.fixture(scope="module")
def run():
    return fake_run()


def comparison_of(count, unit="Pa", name="schedule {}"):
    schedule = standard_schedule()
    runs = []
    for k in range(count):
        made = fake_run(replace(schedule, name=name.format(k + 1)))
        runs.append(with_values(made, bulb_pressure=made.bulb_pressure * 1.7**k))
    return Comparison(tuple(judge(r, unit) for r in runs), unit)


def pictures_of(comparison):
    yield plots.side_by_side(comparison)
    for verdict in comparison.verdicts:
        run, unit = verdict.run, comparison.pressure_unit
        yield plots.pressure_by_position(run, unit)
        yield plots.pressure_against_time(run, unit)
        yield plots.temperatures(run)
        yield plots.ledger_bars(run)


def texts_of(figure):
    """Every text that drawing really writes, with its box in pixels."""
    written = []

    def recording(text, renderer):
        if text.get_visible() and text.get_text().strip():
            written.append((text.get_text(), text.get_window_extent(renderer)))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Text, "draw", recording)
        figure.draw_without_rendering()
    return written


def assert_legible(figure):
    width, height = figure.canvas.get_width_height()
    assert (width, height) == (900, 450)
    texts = texts_of(figure)
    for text, box in texts:
        inside = box.x0 >= -0.5 and box.y0 >= -0.5 and box.x1 <= width + 0.5 and box.y1 <= height + 0.5
        assert inside, f"{text!r} is cut off: {box}"
    for (one, a), (other, b) in itertools.combinations(texts, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        up = min(a.y1, b.y1) - max(a.y0, b.y0)
        # Boxes hold the room of accents and descenders, which may meet by two pixels without harm.
        assert across <= 1.0 or up <= 2.0, f"{one!r} lies on {other!r}"


def line_with(axes, values):
    """The curve that shows exactly `values`, NaN included."""
    for line in axes.lines:
        y = np.asarray(line.get_ydata(), dtype=float)
        if y.shape == np.shape(values) and np.allclose(y, values, rtol=1e-12, equal_nan=True):
            return line
    raise AssertionError("no curve shows these values")


def words_of(figure):
    return [t.get_text() for t in figure.findobj(Text) if t.get_text()]


# ---- legibility ------------------------------------------------------------------------


@pytest.mark.parametrize("unit", ["Pa", "mbar", "torr", "umHg"])
def test_nothing_overlaps_or_is_cut_off(unit):
    for figure in pictures_of(comparison_of(2, unit)):
        assert_legible(figure)


def test_four_schedules_with_long_names_stay_legible():
    assert_legible(plots.side_by_side(comparison_of(4, name="DT-1 with a name that somebody made much too long, number {}")))


def test_pictures_of_simulated_runs_are_legible(runs):
    comparison = Comparison(tuple(judge(run) for run in runs.values()))
    for figure in pictures_of(comparison):
        assert_legible(figure)


def test_pens_differ_in_dashes_or_lightness():
    def lightness(pen):
        return float(np.dot([0.2126, 0.7152, 0.0722], to_rgb(pen.colour)))

    for one, other in itertools.combinations(PENS, 2):
        assert one.dashes != other.dashes or abs(lightness(one) - lightness(other)) > 0.25


def test_labels_stand_clear_of_curves_that_leave_room():
    figure = new_figure()
    axes = place(figure, 60, 40, 20, 20)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 10.0)
    x = np.linspace(0.0, 1.0, 50)
    labels = Labels(axes)
    labels.curve(x, 2.0 + 0.0 * x, "lower")
    labels.curve(x, 8.0 + 0.0 * x, "upper")
    labels.draw()
    heights = {t.get_text(): 10.0 * t.get_position()[1] for t in axes.texts}
    assert abs(heights["lower"] - 2.0) < 1.0 and abs(heights["upper"] - 8.0) < 1.0


def test_label_without_room_at_its_curve_gets_a_line_to_it():
    figure = new_figure()
    axes = place(figure, 60, 40, 20, 20)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 10.0)
    x = np.linspace(0.0, 1.0, 50)
    labels = Labels(axes)
    labels.curve(x, 4.8 + 0.0 * x)
    labels.curve(x, 5.0 + 0.0 * x, "between")
    labels.curve(x, 5.2 + 0.0 * x)
    labels.draw()
    (leader,) = axes.lines
    assert 10.0 * leader.get_ydata()[1] == pytest.approx(5.0, abs=0.05)


def test_every_position_of_a_machine_with_24_reads(runs):
    """Nothing of the work at a position is cut short, however narrow the position."""
    run = simulate(load_schedule(DEMO / "dr3_standard.toml"))
    figure = plots.pressure_by_position(run)
    words = [text for text, _ in texts_of(figure)]
    assert len(run.schedule.positions) == 24 and {"load", "spark", "oven", "RF", "flash", "tip-off", "eject"} <= set(words)
    assert not any("…" in word for word in words)
    assert_legible(figure)


def test_words_that_do_not_fit_shrink_then_break_then_are_cut():
    assert canvas.fitted("oven", 40.0, 7.5) == ("oven", 7.5)
    words, size = canvas.fitted("tip-off", 0.9 * canvas.text_width("tip-off", 7.5), 7.5)
    assert words == "tip-off" and 6.0 <= size < 7.5
    words, size = canvas.fitted("oven + flash", canvas.text_width("+ flash", 6.0) + 1.0, 7.5)
    assert (words, size) == ("oven\n+ flash", 6.0)
    words, size = canvas.fitted("tip-off", 15.0, 7.5)
    assert words.endswith("…") and canvas.text_width(words, size) <= 15.0
    figure = new_figure()
    drawn = figure.text(0.1, 0.1, "tip-off", fontsize=7.5)
    assert canvas.text_width("tip-off", 7.5) == pytest.approx(drawn.get_window_extent(figure.canvas.get_renderer()).width, abs=1.5)


def test_a_label_does_not_stand_where_its_curve_lies_on_another():
    """Two curves are one for nine tenths of the way: the label belongs where they part."""
    figure = new_figure()
    axes = place(figure, 60, 40, 20, 20)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 10.0)
    x = np.linspace(0.0, 1.0, 400)
    labels = Labels(axes)
    labels.curve(x, np.where(x < 0.8, 2.0, 2.0 + 25.0 * (x - 0.8)))
    labels.curve(x, 2.0 + 0.0 * x, "flat")
    labels.draw()
    (text,) = axes.texts
    assert text.get_position()[0] > 0.8


def test_slivers_of_the_ledger_are_one_piece(runs):
    for run in runs.values():
        figure = plots.ledger_bars(run)
        (axes,) = figure.axes
        for collection in axes.collections:
            corners = [path.vertices for path in collection.get_paths()]
            wide = [c[:, 0].max() - c[:, 0].min() for c in corners]
            assert sum(wide) == pytest.approx(1.0)
            assert sum(w * ledgerbars.BAR < ledgerbars.SLIVER for w in wide) <= 1
        assert not any("…" in text.get_text() for text in axes.texts)


def test_side_by_side_says_what_becomes_of_each_schedule(runs):
    comparison = Comparison(tuple(judge(run) for run in runs.values()))
    words = [text for text, _ in texts_of(plots.side_by_side(comparison))]
    for number, verdict in enumerate(comparison.verdicts, start=1):
        assert f"{number} {verdict.name}: {verdict.word}" in words


# ---- the numbers shown -----------------------------------------------------------------


@pytest.mark.parametrize(("unit", "size"), [("Pa", 1.0), ("mbar", MBAR), ("umHg", MICRON)])
def test_pressures_by_position_are_those_of_the_run(run, unit, size):
    axes = plots.pressure_by_position(run, unit).axes[0]
    on = run.stage <= 1
    bulb = line_with(axes, run.total_bulb_pressure[on] / size)
    line_with(axes, run.total_line_pressure[on] / size)
    assert axes.get_yscale() == "log"
    x = bulb.get_xdata()
    share = run.schedule.machine.transfer_time / run.schedule.index_time
    position, stage = run.position[on], run.stage[on]
    for k in (2, 9, 16):
        dwell = x[(position == k) & (stage == 0)]
        assert dwell[0] == pytest.approx(k - 0.5 + share) and dwell[-1] == pytest.approx(k + 0.5)
        assert x[(position == k) & (stage == 1)][0] == pytest.approx(k - 0.5)


def test_target_line_and_judged_point_stand_where_they_belong(run):
    axes = plots.pressure_by_position(run).axes[0]
    limit = run.schedule.target.bulb_pressure
    assert any(np.allclose(line.get_ydata(), limit) and len(line.get_ydata()) == 2 for line in axes.lines)
    (ring,) = [line for line in axes.lines if line.get_marker() == "o" and line.get_markerfacecolor() == "none"]
    assert ring.get_ydata()[0] == pytest.approx(run.total_bulb_pressure[run.judged_at])
    assert 13.5 < ring.get_xdata()[0] < 14.5


def test_transfers_are_hatched_until_the_valve_is_sealed(run):
    axes = plots.pressure_by_position(run).axes[0]
    (bands,) = [c for c in axes.collections if isinstance(c, PolyCollection) and c.get_hatch()]
    assert len(bands.get_paths()) == 14  # into positions 2 to 15
    assert {round(p.vertices[:, 0].min(), 6) for p in bands.get_paths()} == {k - 0.5 for k in range(2, 16)}


def test_axis_says_unit_and_never_a_bare_micron(run):
    for figure in (plots.pressure_by_position(run, "umHg"), plots.pressure_against_time(run, "micron_hg")):
        assert figure.axes[0].get_ylabel() == "bulb and line pressure, micron Hg"
    assert plots.pressure_by_position(run, "mbar").axes[0].get_ylabel() == "bulb and line pressure, mbar"


def test_strip_names_line_work_and_heater_volts(run):
    words = words_of(plots.pressure_by_position(run))
    for word in ("G", "R", "F1", "F2", "D", "oven", "RF", "flash", "tip-off", "4.4", "8.3", "11.2", "11.9"):
        assert word in words


def test_curves_carry_their_names(run):
    words = words_of(plots.pressure_by_position(run))
    assert {"bulb pressure", "line pressure", "target 0.050 Pa"} <= set(words)
    assert plots.pressure_by_position(run).axes[0].get_legend() is None


def test_pressure_against_time_goes_on_to_the_shelf(run):
    machine, sealed = plots.pressure_against_time(run).axes
    on = run.stage <= 1
    assert np.allclose(line_with(machine, run.total_bulb_pressure[on]).get_xdata(), run.time[on])
    line_with(sealed, run.total_bulb_pressure[run.stage >= 2])
    assert sealed.get_xlim()[1] == pytest.approx(run.time[-1] - run.time[on][-1])
    assert "target 2.0e-4 Pa" in words_of(sealed.figure)


def test_a_valve_that_is_never_sealed_has_no_sealed_panel(run):
    on = run.stage <= 1
    fields = {
        name: getattr(run, name)[on]
        for name in ("time", "position", "stage", "step", "port_open", "bulb_pressure", "line_pressure", "temperature")
    }
    assert len(plots.pressure_against_time(with_values(run, **fields)).axes) == 1


def test_temperatures_are_in_degrees_celsius_and_named(run):
    figure = plots.temperatures(run)
    on = run.stage <= 1
    for k, name in enumerate(run.node_names):
        line_with(figure.axes[0], run.temperature[on, k] - ZERO_CELSIUS)
        assert name.replace("_", " ") in words_of(figure)


def test_pressure_that_is_zero_leaves_a_gap_and_no_warning(run):
    pressure = run.bulb_pressure.copy()
    pressure[run.position == 5] = 0.0
    axes = plots.pressure_by_position(with_values(run, bulb_pressure=pressure)).axes[0]
    shown = np.where(pressure.sum(axis=1) > 0.0, pressure.sum(axis=1), np.nan)[run.stage <= 1]
    assert np.isnan(line_with(axes, shown).get_ydata()).any()


def test_decades_hold_all_values_and_survive_having_none():
    assert decades([0.02, 3.0, np.nan], 1e-7) == (0.01, 10.0)
    low, high = decades([np.nan, 0.0], 1e-7)
    assert 0.0 < low < high


def test_pressure_axis_labels_are_plain_numbers():
    figure = new_figure()
    axes = place(figure, 68, 40, 20, 20)
    log_pressure_axis(axes, 1e-4, 1e5, "Pa", "bulb pressure")
    written = [text for text, _ in texts_of(figure)]
    for text in ("1e-4", "0.001", "0.01", "0.1", "1", "10", "100", "1000", "10 000", "100 000", "bulb pressure, Pa"):
        assert text in written


# ---- side by side ----------------------------------------------------------------------


def test_side_by_side_shows_every_bulb_pressure_in_its_own_pen():
    comparison = comparison_of(3)
    axes = plots.side_by_side(comparison).axes[0]
    styles = set()
    for verdict in comparison.verdicts:
        line = line_with(axes, verdict.run.total_bulb_pressure[verdict.run.stage <= 1])
        styles.add((line.get_color(), line.get_linestyle(), line.get_linewidth()))
    assert len(styles) == 3


def test_more_than_four_schedules_are_said_to_be_left_out():
    words = words_of(plots.side_by_side(comparison_of(5)))
    assert "Bulb pressure of the schedules (first 4 of 5)" in words
    assert not any(word.startswith("5 ") for word in words)


def test_a_missed_target_is_a_filled_mark_beyond_the_limit():
    comparison = comparison_of(1)
    made = comparison.verdicts[0].run
    missing = judge(with_values(made, converted_fraction=0.9 * made.converted_fraction))
    panel = plots.side_by_side(Comparison((comparison.verdicts[0], missing))).axes[1]
    marks = [(line.get_xdata()[0], line.get_markerfacecolor()) for line in panel.lines if line.get_marker() == "o"]
    beyond = [m for m in marks if m[0] > 1.0]
    # 10 % of the carbonate is left where 0.5 % may be.
    assert len(beyond) == 1 and beyond[0][0] == pytest.approx(20.0) and beyond[0][1] != "white"
    assert all(colour == "white" for value, colour in marks if value <= 1.0)


# ---- gas ledger ------------------------------------------------------------------------


def amounts(**gases):
    values = np.zeros(GAS_COUNT)
    for name, value in gases.items():
        values[{"CO2": CO2, "H2O": H2O, "N2": N2}[name]] = value * PASCAL_LITRE
    return values


def ledger_of(run, **changes):
    return replace(run.ledger, **changes)


def test_bars_are_as_long_as_what_came_and_what_went(run):
    ledger = ledger_of(
        run,
        initial=amounts(N2=1000.0),
        released={"coating: carbonate": amounts(CO2=40.0), "micas: surface H2O": amounts(H2O=0.5), "anode: surface H2O": amounts(H2O=-0.1)},
        pumped={"G": amounts(N2=999.0), "F2": amounts(CO2=30.0, H2O=0.3)},
        consumed={"CO2 reduced by hot nickel": amounts(CO2=8.0)},
        sorbed=amounts(CO2=2.0, H2O=0.1),
        in_bulb=amounts(N2=1.0),
        held={"coating: carbonate": amounts(CO2=3.0)},
    )  # fmt: skip
    accounts = {gas: (sources, sinks, held) for gas, sources, sinks, held in ledgerbars._accounts(ledger)}
    assert list(accounts) == ["N2 O2 Ar He", "CO2", "H2O"]
    for sources, sinks, _ in accounts.values():
        assert sum(sources.values()) == pytest.approx(sum(sinks.values()))
    sources, sinks, held = accounts["CO2"]
    assert sources["coating"] == pytest.approx(40.0) and held == pytest.approx(3.0)
    assert sinks["hot nickel"] == pytest.approx(8.0) and sinks["mirror"] == pytest.approx(2.0)
    # A part that took water back is no negative source.
    assert accounts["H2O"][1]["taken back by anode"] == pytest.approx(0.1)
    figure = plots.ledger_bars(with_values(run, ledger=ledger))
    bars = [c for c in figure.axes[0].collections if isinstance(c, PolyCollection)]
    assert len(bars) == 6
    for bar in bars:
        assert max(p.vertices[:, 0].max() for p in bar.get_paths()) == pytest.approx(1.0)
    assert "coating 40" in words_of(figure) and "still held 3.0" in words_of(figure)


def test_piece_without_room_for_its_name_is_told_behind_the_bar(run):
    ledger = ledger_of(
        run, released={"coating: carbonate": amounts(CO2=40.0), "anode: dissolved CO": amounts(CO2=0.2)},
        pumped={"F2": amounts(CO2=40.2)},
    )  # fmt: skip
    assert "+ anode 0.20" in words_of(plots.ledger_bars(with_values(run, ledger=ledger)))


# ---- hand-over -------------------------------------------------------------------------


def test_names_are_written_as_they_are(run):
    name = "50 % at $x^2$ & <b>_up_</b>"
    named = with_values(run, schedule=replace(run.schedule, name=name))
    figure = plots.pressure_by_position(named)
    assert any(name in word for word in words_of(figure))
    ElementTree.fromstring(svg(figure))


def test_the_same_run_gives_the_same_bytes(run):
    assert svg(plots.temperatures(run)) == svg(plots.temperatures(run))


def test_drawing_needs_no_window_and_no_shared_state():
    code = "import sys, exhaustsim.reporting.plots; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=plots.__file__.rsplit("/exhaustsim/", 1)[0])
    assert done.stdout.strip() == "False"
