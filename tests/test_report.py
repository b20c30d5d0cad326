"""The report stands alone, begins with the answer, and shows nothing of a file unescaped."""

import base64
import hashlib
import re
from dataclasses import replace
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from fake_run import fake_run, with_values

from exhaustsim.data import published
from exhaustsim.engine.network import number_valve
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.reporting import plots, report
from exhaustsim.reporting.assumptions import least_trusted, other_rows
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.explanation import explain
from exhaustsim.studies.station import read_reach
from exhaustsim.studies.verdict import judge

DEMO = Path(__file__).parent.parent / "demo_data"
VOID = {"meta", "img", "br", "hr", "link", "input"}
NASTY = "<script>alert('x')</script> & \"<b>"


class Reader(HTMLParser):
    """Collects tags, attributes and text, and refuses tags that do not pair."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.texts, self.open = [], [], [], []
        self.feed(text)
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, *attribute) for attribute in attributes]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, text):
        if text.strip() and self.open[-1] != "style":
            self.texts.append(text)


@pytest.fixture(scope="module")
def comparison():
    run = fake_run()
    failing = with_values(fake_run(replace(run.schedule, name="DT-1 hurried")), converted_fraction=0.9 * run.converted_fraction)
    return Comparison((judge(run), judge(failing)))


@pytest.fixture(scope="module")
def html(comparison):
    return report.report_html(comparison)


@pytest.fixture(scope="module")
def page(html):
    return Reader(html)


def test_report_needs_nothing_else(html, page):
    assert not {"script", "link", "iframe", "object", "a", "form"} & set(page.tags)
    for _, name, value in page.attributes:
        assert not name.startswith("on"), "a script in an attribute"
        if name in ("src", "href"):
            assert value.startswith("data:image/svg+xml;base64,")
    outside = re.sub(r'src="data:[^"]*"', "", html)
    assert "http" not in outside and "url(" not in outside and "@import" not in outside


def test_pictures_are_whole_and_say_what_they_are(page):
    sources = [value for tag, name, value in page.attributes if tag == "img" and name == "src"]
    names = [value for tag, name, value in page.attributes if tag == "img" and name == "alt"]
    assert len(sources) == 1 + 4 * 2 and len(set(names)) == len(sources) and all(names)
    for source in sources:
        picture = ElementTree.fromstring(base64.b64decode(source.split(",", 1)[1], validate=True))
        assert picture.tag.endswith("svg")
        assert not [e for e in picture.iter() if e.tag.endswith(("script", "image", "text"))]


def test_the_answer_comes_first_then_the_table(html, comparison, page):
    texts = page.texts[1:]  # after the title
    parts = [part.removesuffix(".") for part in comparison.answer.split("; ")]
    assert [t.removesuffix(".") for t in texts[1 : 1 + len(parts)]] == parts
    body = html.index("<body>")
    places = [html.index(mark, body) for mark in ('class="answer"', "<table", "<img", "<h2>", "Assumptions and", "Cautions", "<footer")]
    assert places == sorted(places)
    for row in comparison.text_rows():
        for cell in row:
            assert escape(cell) in html


def test_every_flag_stands_with_its_remedy(html, comparison):
    flags = [flag for verdict in comparison.verdicts for flag in verdict.flags]
    assert any(flag.level == "stop" for flag in flags)
    for flag in flags:
        assert escape(flag.sentence) in html and escape(flag.remedy) in html
        assert f'class="mark {flag.level}">{flag.level.upper()}' in html


def test_missed_target_is_named_in_words(page):
    row = page.texts.index("MISSED")
    assert page.texts[row - 3] == "converted fraction" and page.texts[row - 2] == "90%"


def test_names_from_files_are_escaped():
    run = fake_run()
    schedule = run.schedule
    machine = replace(schedule.machine, name=NASTY)
    valve = replace(schedule.valve, name=NASTY)
    nodes = tuple(NASTY if name == "grids" else name for name in run.node_names)
    ledger = replace(run.ledger, held={f"{NASTY}: carbonate": run.ledger.inventory}, released={f"{NASTY}: {NASTY}": run.ledger.inventory})
    nasty = with_values(
        run, schedule=replace(schedule, name=NASTY, intention=NASTY, machine=machine, valve=valve, source=f"/nowhere/{NASTY}.toml"),
        node_names=nodes, ledger=ledger,
    )  # fmt: skip
    text = report.report_html(Comparison((judge(nasty), judge(nasty))))
    page = Reader(text)
    assert "script" not in page.tags and "b" not in page.tags
    assert escape(NASTY) in text and NASTY not in text
    for tag, name, value in page.attributes:
        if tag == "img" and name == "src":
            ElementTree.fromstring(base64.b64decode(value.split(",", 1)[1]))


def test_footer_tells_version_and_fingerprints(html):
    import exhaustsim

    footer = html[html.index("<footer") :]
    assert f"exhaustsim {exhaustsim.__version__}" in footer
    for path in (DEMO / "schedules" / "dt1_standard.toml", DEMO / "valves" / "dt1.toml", DEMO / "machines" / "rx16.toml"):
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        assert f"{path.name} {digest[:12]}" in footer and digest[:13] not in footer
    assert str(DEMO.parent) not in html  # no folders of this computer


def test_fingerprint_follows_the_file_and_survives_its_loss(tmp_path):
    file = tmp_path / "a.toml"
    file.write_text("x = 1\n")
    before = report._fingerprint(str(file))
    file.write_text("x = 2\n")
    assert report._fingerprint(str(file)) != before and len(before) == 12
    file.unlink()
    assert report._fingerprint(str(file)) == "(can no longer be read)"


def test_cautions_are_there(html):
    assert html.count("Trial under supervision before use.") >= 2
    for word in ("interlock", "Implosion", "RF heating", "High voltage", "Barium", "diffusion pump", "Demo valves, machines"):
        assert word in html
    assert not re.search(r"\bsafe\b", re.sub(r'src="[^"]*"', "", html), re.IGNORECASE)


def test_prints_to_a4(html):
    style = html[html.index("<style>") : html.index("</style>")]
    assert "size: A4" in style and "@media print" in style
    printed = style[style.index("@media print") :]
    assert "break-inside: avoid" in printed and "break-before: page" in printed and "table-header-group" in printed


def test_pressures_come_in_the_unit_asked_for():
    run = fake_run()
    text = report.report_html(Comparison((judge(run, "mbar"),), "mbar"))
    assert "5.0e-4 mbar" in text and "bulb, end, mbar" in text
    assert " Pa</td>" not in text[: text.index("Assumptions and")]  # constants keep the unit of their table


# ---- assumptions -----------------------------------------------------------------------


def test_least_trusted_come_first_with_the_value_used(comparison, html):
    valve = comparison.verdicts[0].run.schedule.valve
    own = replace(valve, coating=replace(valve.coating, needle_radius=0.7e-6))
    told = least_trusted(own)
    assert [a.row for a in told] == [
        "carbonates.needle_radius", "carbonates.activity", "outgassing.nickel_carbon_monoxide", "outgassing.glass_water",
        "getters.appetite.CO2", "permeation.soda_lime.conductivity", "outgassing.tip_burst.amount",
    ]  # fmt: skip
    assert told[0].used == "0.70 um" and told[0].span == "0.50 um to 3.0 um"
    assert told[3].used == "0.10 Pa L/cm2" and told[6].used == "0.020 Pa L"
    assert told[2].used == "0.60 Pa L/g"
    assert all(a.standing in published.STANDINGS and a.source for a in told)
    assert html.index("speed of breakdown: radius") < html.index("The other constants")


def test_whatever_a_simulation_looks_up_is_listed(monkeypatch):
    """Gas and material properties aside, which the report only refers to."""
    table = published._table()
    looked_up = set()

    class Recording(dict):
        def get(self, name, default=None):
            looked_up.add(name)
            return dict.get(self, name, default)

    recording = Recording(table)
    monkeypatch.setattr(published, "_table", lambda: recording)
    schedule = load_schedule(DEMO / "schedules" / "dt1_standard.toml")
    number_valve(schedule.valve, schedule.machine)
    assert "carbonates.needle_radius" in looked_up
    told = {a.row for a in least_trusted(schedule.valve)} | {a.row for a in other_rows([schedule.valve])}
    properties = re.compile(r"gases\.|materials\.\w+\.(density|specific_heat|emissivity)")
    assert {name for name in looked_up if name in table and not properties.match(name)} <= told


def test_least_certain_standing_comes_first(comparison):
    rows = other_rows([comparison.verdicts[0].run.schedule.valve])
    standings = list(dict.fromkeys(a.standing for a in rows))
    assert standings == [s for s in ("invented", "practice", "recalled", "computed", "published") if s in standings]
    assert not any("borosilicate" in a.row for a in rows if a.row.startswith("permeation"))


# ---- writing ---------------------------------------------------------------------------


def test_written_file_is_the_report_and_small(comparison, html, tmp_path):
    path = tmp_path / "report.html"
    report.write_report(comparison, path, [])
    assert path.read_text(encoding="utf-8") == html
    assert path.stat().st_size < 3e6
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_a_failure_leaves_the_older_report(comparison, tmp_path, monkeypatch):
    path = tmp_path / "report.html"
    path.write_text("older")

    def fail(*_):
        raise RuntimeError("no picture")

    monkeypatch.setattr(plots, "temperatures", fail)
    with pytest.raises(RuntimeError, match="no picture"):
        report.write_report(comparison, path, [])
    assert path.read_text() == "older" and len(list(tmp_path.iterdir())) == 1


def test_a_place_that_cannot_be_written_is_said(comparison, tmp_path):
    with pytest.raises(OSError):
        report.write_report(comparison, tmp_path / "missing" / "report.html")


def test_report_on_simulated_runs(runs):
    comparison = Comparison(tuple(judge(run) for run in runs.values()))
    text = report.report_html(comparison)
    assert len(text.encode()) < 3e6
    page = Reader(text)
    assert page.tags.count("img") == 1 + 4 * len(runs)
    assert not any("nan" in t.lower().split() for t in page.texts)
    assert np.isfinite([v.run.ledger.error for v in comparison.verdicts]).all()


# ---- what stands in the way ------------------------------------------------------------


@pytest.fixture(scope="module")
def explained(runs):
    verdict = judge(runs["too_fast"], "mbar")
    comparison = Comparison((verdict,), "mbar")
    return comparison, explain(verdict, [read_reach("anode=950degC@8")])


def test_report_tells_what_run_explains(explained):
    comparison, explanation = explained
    html = report.report_html(comparison, [explanation])
    page = Reader(html)
    assert escape(explanation.binding_sentence) in html and "Nearest of the limits kept" in html
    assert escape(explanation.resistance_sentence) in html and "Would a bigger pump help?" in html
    assert "exhaust stem / port / line, %" in page.texts
    for row in explanation.resistances:
        assert row.split in page.texts
    assert len(explanation.rf) == 10 and html.count("RF stations") == 1
    assert explanation.stations[0].sentence in " ".join(page.texts).replace("&#x27;", "'")
    # The first screen stays the answer: the section comes after targets, flags and pictures.
    assert html.index("What binds") > html.index("position by position".capitalize()) > html.index("<h3>Flags</h3>")


def test_pressures_of_the_report_are_in_the_unit_asked_for(explained):
    comparison, explanation = explained
    words = " ".join(Reader(report.report_html(comparison, [explanation])).texts)
    assert not re.search(r"\d Pa(?! L)\b(?! s)", words.split("Assumptions and their standing")[0])
    assert "4.5e-4 mbar" in words


def test_report_is_explained_unless_that_is_given(monkeypatch, comparison, tmp_path):
    asked = []

    def recording(verdict):
        asked.append(verdict.name)
        return explain_fake(verdict)

    explain_fake = report.explain
    monkeypatch.setattr(report, "explain", recording)
    report.write_report(comparison, tmp_path / "a.html")
    assert asked == [v.name for v in comparison.verdicts]
    report.write_report(comparison, tmp_path / "b.html", [])
    assert "What binds" in (tmp_path / "a.html").read_text() and "What binds" not in (tmp_path / "b.html").read_text()
    assert len(asked) == 2


def test_names_in_the_explanation_are_escaped(runs):
    run = runs["standard"]
    lines = tuple(replace(w, name=NASTY if w.name == "D" else w.name) for w in run.lines)
    machine = run.schedule.machine
    renamed = replace(
        machine, lines=tuple(replace(x, name=NASTY if x.name == "D" else x.name) for x in machine.lines),
        line_of_position={p: NASTY if name == "D" else name for p, name in machine.line_of_position.items()},
    )  # fmt: skip
    verdict = judge(with_values(run, lines=lines, schedule=replace(run.schedule, machine=renamed)))
    html = report.report_html(Comparison((verdict,)), [explain(verdict)])
    Reader(html)
    assert "<script" not in html and escape(NASTY) in html


def test_on_paper_the_page_is_black_on_white():
    printed = report.STYLESHEET.split("@media print")[1]
    assert "size: A4" in report.STYLESHEET
    shades = set(re.findall(r"#[0-9a-f]{3,6}\b", printed))
    assert shades <= {"#000", "#fff"}
    for style in ("band", "section.sure", "thead", "legend"):
        assert style in printed
