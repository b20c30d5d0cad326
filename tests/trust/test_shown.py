"""What comes from files is shown as text and nothing else: pages, desks, cards, terminal, names of files; and nothing of it is run.

Outside checks: HTML as the parser of the standard library reads it, and the words by which a PDF starts something (PDF 1.7,
ISO 32000-1:2008, 12.6: actions).
"""

import ast
import base64
import re
import socket
import urllib.error
import urllib.request
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from trust.hostile import HOSTILE, hostile_demo

import exhaustsim
from exhaustsim import cli
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import DesignFault, load_schedule, load_valve
from exhaustsim.plant.entries import LONGEST_NAME
from exhaustsim.plant.faults import visible
from exhaustsim.plant.incidents import Leaker
from exhaustsim.reporting import lab
from exhaustsim.reporting.card import card_html, card_pdf
from exhaustsim.reporting.filenames import DEVICES, LONGEST, file_name
from exhaustsim.reporting.report import report_html
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.explanation import explain
from exhaustsim.studies.verdict import judge
from exhaustsim.units import PASCAL_LITRE

PACKAGE = Path(exhaustsim.__file__).parent
pytestmark = [pytest.mark.filterwarnings("ignore:Glyph"), pytest.mark.filterwarnings("ignore::DeprecationWarning")]
#: All that pages of the package are made of.
TAGS = {
    "html", "head", "meta", "title", "style", "body", "header", "footer", "section", "h1", "h2", "h3", "p", "span", "div", "table", "caption", "thead", "tbody",
    "tr", "th", "td", "ul", "ol", "li", "dl", "dt", "dd", "figure", "figcaption", "img", "strong", "em", "b", "i", "br", "sup", "sub", "small", "code",
}  # fmt: skip


class Reader(HTMLParser):
    """Tags, attributes and the text between them."""

    def __init__(self, page: str):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.text = set(), [], ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.attributes += attributes

    def handle_data(self, data):
        self.text += data


def check_page(page: str, *needed: str) -> None:
    """Nothing but the tags of the package, no script in an attribute, nothing fetched, and each text of `needed` as it was."""
    found = Reader(page)
    assert found.tags <= TAGS, found.tags - TAGS
    for name, value in found.attributes:
        assert not name.startswith("on") and "javascript:" not in (value or "").lower()
        if name in ("src", "href"):
            kind, data = value.split(",", 1)
            assert kind == "data:image/svg+xml;base64"
            for element in ElementTree.fromstring(base64.b64decode(data)).iter():
                assert element.tag.rpartition("}")[2] not in ("script", "image", "foreignObject", "a", "text")
                assert not any(key.startswith("on") or key.endswith("href") and not value.startswith("#") for key, value in element.items())
    text = re.sub(r"\s+", " ", found.text)
    for words in needed:
        assert re.sub(r"\s+", " ", words) in text, words


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """(folder, verdict) of a schedule with hostile names, simulated."""
    path = hostile_demo(tmp_path_factory.mktemp("hostile") / "<img src=x onerror=alert(3)>")
    return path.parents[1], judge(simulate(load_schedule(path)))


def test_report(hostile):
    verdict = hostile[1]
    page = report_html(Comparison((verdict, verdict)), [explain(verdict)])
    check_page(page, *(start + HOSTILE for start in "VMSIF"))


def test_notebook_table_of_a_comparison(hostile):
    check_page(Comparison((hostile[1],))._repr_html_(), "S" + HOSTILE)


def test_card(hostile):
    check_page(card_html(hostile[1]), *(start + HOSTILE for start in "VMSF"))
    pdf = card_pdf(hostile[1])
    assert not re.search(rb"/(JS|JavaScript|OpenAction|AA|Launch|URI|SubmitForm|EmbeddedFile|RichMedia)\b", pdf)
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 1


def test_page_of_the_loaded_machine(hostile):
    from exhaustsim.reporting.machinefindings import find
    from exhaustsim.reporting.machinepage import machine_html
    from exhaustsim.reporting.machinetext import machine_text

    findings = find(hostile[1].run.schedule, [Leaker(5, PASCAL_LITRE)], indices=1, neighbours=True)
    check_page(machine_html(findings), *(start + HOSTILE for start in "SMF"))
    assert not any(c in machine_text(findings) for c in "\x1b\x07\x08")


def test_answer_sheet(hostile):
    from exhaustsim.reporting.answersheet import answers_html
    from exhaustsim.studies.lessons.course import COURSE
    from exhaustsim.studies.lessons.record import Stand

    check_page(answers_html(Stand(hostile[0]), COURSE[:4]), "Answer sheet for the trainer")


def test_desk(hostile, tmp_path):
    widgets = pytest.importorskip("ipywidgets")
    from exhaustsim.reporting.widgets.comparedesk import CompareDesk

    desk = CompareDesk(hostile[0], schedule="dt1_standard.toml", out=tmp_path, threaded=False)
    for page in desk.pages.names:
        desk.pages.turn_to(page)
    desk.pages.keep.click()
    shown = []

    def look(widget):
        if isinstance(widget, widgets.HTML):
            shown.append(widget.value)
        # Names of fields are shown as text unless a widget is told otherwise.
        assert not getattr(widget, "description_allow_html", False) and not getattr(widget, "tooltip_allow_html", False)
        for child in getattr(widget, "children", ()):
            look(child)

    look(desk)
    assert len(shown) > 8
    for page in shown:
        check_page(page)
    together = Reader("".join(shown)).text
    assert "S" + HOSTILE in together and "F" + HOSTILE in together


# ---- what cannot be shown is refused -------------------------------------------------

HIDDEN = {
    "escape code of a terminal": "\x1b[31mred", "bell": "a\x07", "backspace": "a\x08b", "nothing (NUL)": "a\x00b", "delete": "a\x7f",
    "eight-bit escape": "a\x9b31m", "right to left override": "gnp.\u202etoml", "isolate": "\u2067abc", "mark": "a\u200fb", "line separator": "a\u2028b",
    "line end": "a\nb", "return": "a\rb", "too long": "a" * (LONGEST_NAME + 1), "ten thousand letters": "x" * 10_000,
}  # fmt: skip
PLACES = {
    "name of the valve": 'name = "DT-1"', "name of a node": "[nodes.mica]", "name of a part": "[parts.anode]",
}  # fmt: skip


@pytest.mark.named_fault
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("kind", HIDDEN)
def test_a_name_that_cannot_be_shown_is_refused(tmp_path, kind, place):
    words = HIDDEN[kind].encode("unicode_escape").decode("ascii")
    words = re.sub(r"\\x(..)", r"\\u00\1", words)  # as TOML writes it
    text = (PACKAGE.parent / "demo_data" / "valves" / "dt1.toml").read_text(encoding="utf-8")
    old = PLACES[place]
    new = f'name = "{words}"' if old.startswith("name") else f'{old[: old.index(".") + 1]}"{words}"]'
    assert text.count(old) == 1
    (tmp_path / "valve.toml").write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(DesignFault) as caught:
        load_valve(tmp_path / "valve.toml")
    told = str(caught.value)
    assert "hides or obeys" in told or f"at most {LONGEST_NAME}" in told
    assert all(line.isprintable() for line in told.split("\n")), "a fault does not pass on what it refuses"
    assert max(map(len, told.split("\n"))) < 500


def test_letters_of_every_writing_and_long_descriptions_are_taken(tmp_path):
    text = (PACKAGE.parent / "demo_data" / "valves" / "dt1.toml").read_text(encoding="utf-8")
    text = re.sub('^name = .*$', 'name = "Röhre № 7 \u05d0\u05d1\u05d2 \u0637 日本 é"', text, flags=re.MULTILINE)
    text = re.sub("^description = .*$", lambda _: 'description = """one line\n' + "and another\n" * 50 + '"""', text, flags=re.MULTILINE)
    (tmp_path / "valve.toml").write_text(text, encoding="utf-8")
    assert load_valve(tmp_path / "valve.toml").name.startswith("Röhre")


@given(st.text())
def test_what_is_made_visible_can_be_printed(words):
    assert visible(words).isprintable()
    assert visible(words) == words or not words.isprintable()


# ---- names of files ------------------------------------------------------------------

STEERING = ["../../x", "/abs", "con", "CON", "NUL", "com1", "a" * 300, "a\0b", "..", ".", "", "-rf", "--out", "~root", "C:\\x", "a/b", "\u65e5" * 200, ".hidden", "$HOME", "a;b"]


@pytest.mark.parametrize("name", STEERING, ids=repr)
def test_a_name_does_not_steer_where_something_is_written(name, tmp_path):
    made = file_name(name)
    assert (tmp_path / made).parent == tmp_path and made == Path(made).name
    (tmp_path / f".card_{made}.html.12345678").write_text("fits on the disk")
    assert made.lower() not in DEVICES and made[0] not in ".-~_"


@given(st.text())
def test_any_name_gives_a_plain_file_name(name):
    made = file_name(name)
    assert made and all(c.isalnum() or c in "-_" for c in made) and len(made.encode("utf-8")) <= LONGEST + 1
    assert made[0] != "-" and made.lower() not in DEVICES


@pytest.mark.parametrize("name", ["../../x", "/abs", "con", "a" * LONGEST_NAME, "\u65e5" * LONGEST_NAME])
def test_commands_write_into_their_folder_only(name, tmp_path, monkeypatch, capsys):
    from fake_run import fake_run

    from exhaustsim.studies import comparison

    demo, out = tmp_path / "demo", tmp_path / "out"
    path = hostile_demo(demo, "")
    path.write_text(re.sub('^name = .*$', lambda _: f'name = "{name}"', path.read_text(encoding="utf-8"), flags=re.MULTILINE), encoding="utf-8")
    before = {p for p in tmp_path.rglob("*")}
    monkeypatch.setattr(comparison, "simulate", lambda schedule, tolerance: fake_run(schedule))
    assert cli.main(["card", str(path), "--out", str(out)]) == 0
    new = {p for p in tmp_path.rglob("*")} - before - {out}
    assert len(new) == 2 and {p.parent for p in new} == {out}


@pytest.mark.named_fault
@pytest.mark.parametrize("target", ["../../../etc/passwd", "/etc/passwd", "/dev/null", "/dev/zero/x", "nul\\u0000.toml", "a" * 5000 + ".toml", "."])
def test_a_valve_that_is_no_valve_file_is_refused_without_a_word_of_it(tmp_path, target):
    path = hostile_demo(tmp_path / "demo", "")
    path.write_text(re.sub('^valve = .*$', lambda _: f'valve = "{target}"', path.read_text(encoding="utf-8"), flags=re.MULTILINE), encoding="utf-8")
    with pytest.raises(DesignFault) as caught:
        load_schedule(path)
    assert "root:x" not in str(caught.value) and "Traceback" not in str(caught.value)


# ---- nothing is run ------------------------------------------------------------------

FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "breakpoint"}
FORBIDDEN_MODULES = {"marshal", "shelve", "dill", "cloudpickle", "joblib", "yaml", "code", "codeop", "runpy", "xmlrpc"}
#: Compiled code is kept by the compiler in its own form, sealed by a digest, in a folder of the user's.
MAY_PICKLE = {"compiled.py"}
#: The server of the notebooks is started with a list of words, never by a shell.
MAY_START = {"reporting/lab.py"}


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_nothing_is_evaluated_from_input(path):
    own = path.relative_to(PACKAGE).as_posix()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = {alias.name.split(".")[0] for alias in node.names} if isinstance(node, ast.Import) else {(node.module or "").split(".")[0]}
            assert not names & FORBIDDEN_MODULES, f"line {node.lineno}"
            assert "pickle" not in names or own in MAY_PICKLE, f"line {node.lineno}"
            assert "subprocess" not in names or own in MAY_START, f"line {node.lineno}"
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else ""
            assert name not in FORBIDDEN_CALLS, f"line {node.lineno}"
            dotted = ast.unparse(node.func)
            assert dotted not in ("os.system", "os.popen", "os.execv", "os.spawnl"), f"line {node.lineno}"
            for keyword in node.keywords:
                assert not (keyword.arg in ("shell", "allow_pickle") and ast.unparse(keyword.value) == "True"), f"line {node.lineno}"


# ---- the server of the notebooks -----------------------------------------------------


def answer(address: str) -> int:
    class Stay(urllib.request.HTTPRedirectHandler):
        def redirect_request(self, *_):
            return None

    try:
        with urllib.request.build_opener(Stay, urllib.request.ProxyHandler({})).open(address, timeout=20.0) as page:
            return page.status
    except urllib.error.HTTPError as refused:
        return refused.code


@pytest.mark.parametrize("page", [None, "01"], ids=["JupyterLab", "a page of its own"])
def test_pages_are_served_here_only_and_for_the_token_only(page, tmp_path, monkeypatch, capsys):
    pytest.importorskip("jupyterlab" if page is None else "voila")
    notebooks = PACKAGE.parent / "notebooks"
    for sort in ("CONFIG", "DATA", "RUNTIME"):
        monkeypatch.setenv(f"JUPYTER_{sort}_DIR", str(tmp_path / sort))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    seen = {}

    def visit(address):
        """What a browser would open; looked at from here and from elsewhere, then the user presses Ctrl+C."""
        place, token = address.split("?token=")
        port = int(place.split(":")[2].split("/")[0])
        seen["token"] = token
        seen["without"] = [answer(place + path) for path in (("/tree", "/") if page is None else ("",))] + [answer(f"{place}?token={'0' * len(token)}")]
        seen["contents"] = answer(f"http://127.0.0.1:{port}/api/contents") if page is None else 403
        seen["with"] = answer(address) if page is None else 200  # a page of its own would run its notebook first
        with socket.socket() as elsewhere:
            elsewhere.settimeout(2.0)
            seen["elsewhere"] = elsewhere.connect_ex(("127.0.0.2", port))  # bound to one address, not to all of this computer
        raise KeyboardInterrupt

    monkeypatch.setattr(lab.webbrowser, "open", visit)
    assert lab.open_lab(page, str(notebooks)) == 0
    assert len(seen["token"]) >= 40 and re.fullmatch("[0-9a-f]+", seen["token"])
    assert all(code in (302, 401, 403) for code in seen["without"]), seen
    assert seen["contents"] in (302, 403) and seen["with"] == 200 and seen["elsewhere"] != 0
