"""What a public docstring must say, as rules that give sentences when they are broken.

Every public function or class has one.  A law of `exhaustsim.physics` also gives units in square
brackets for each argument (or the name, in backquotes, of what they are explained in) and for what
it returns or fills; a paragraph `Valid:` with the range it holds in, or "exact"; a `Raises` section
or the words "nothing is raised"; a paragraph `Source:` with a key of the bibliography in square
brackets, or "definition", or "own derivation: ..."; and an example, which is run as a test.
"""

from __future__ import annotations

import inspect
import re

SECTIONS = r"Parameters|Returns|Raises|Notes|Examples"


def broken_rules(name: str, function, keys: set[str]) -> list[str]:
    """Sentences on what the docstring of a law lacks; empty when it is complete."""
    doc = inspect.getdoc(function) or ""
    if not doc.strip():
        return [f"{name} has no docstring"]
    found = []
    arguments = entries(section(doc, "Parameters"))
    for argument in inspect.signature(function).parameters:
        if argument not in arguments:
            found.append(f"{name} does not explain {argument}")
        elif not re.search(r"\[[^\]]+\]|`\w+`|^(?:int|callable)\b", arguments[argument]):
            found.append(f"{name} gives no unit for {argument}")
    returned = section(doc, "Returns")
    filled = [text for text in arguments.values() if re.search(r"\bfill|changed in place", text, re.IGNORECASE)]
    # Whole numbers have no unit; the fields of a class are explained in the class.
    if returned and "[" not in returned and not re.match(r"(?:list of )?int\b|[A-Z]\w+\n", returned):
        found.append(f"{name} gives no unit for what it returns")
    if not returned and not filled:
        found.append(f"{name} says neither what it returns nor what it fills")
    found += [f"{name} gives no unit for what it fills" for text in filled if not returned and not re.search(r"\[|`\w+`", text)]
    if not paragraph(doc, "Valid"):
        found.append(f"{name} does not say where it is valid")
    if not section(doc, "Raises") and not re.search(r"nothing\s+is\s+raised", doc, re.IGNORECASE):
        found.append(f"{name} does not say what it raises")
    found += source_faults(name, paragraph(doc, "Source"), keys)
    if ">>>" not in doc:
        found.append(f"{name} has no example")
    return found


def source_faults(name: str, source: str, keys: set[str]) -> list[str]:
    """What is wrong with the `Source:` paragraph."""
    if not source:
        return [f"{name} names no source"]
    cited = re.findall(r"\[([A-Z]\w+)\]", source)
    unknown = [f"{name} cites {key}, which is not in references.bib" for key in cited if key not in keys]
    if cited or source.startswith("definition") or re.match(r"own derivation: \w+", source):
        return unknown
    return [f'{name} has a source that is neither a key nor "definition" nor "own derivation: ...": {source}']


def section(doc: str, title: str) -> str:
    """The text under an underlined title; empty without it."""
    found = re.search(rf"^{title}\n-+\n(.*?)(?=^(?:{SECTIONS})\n-+\n|\Z)", doc, re.MULTILINE | re.DOTALL)
    return found.group(1).strip("\n") if found else ""


def entries(text: str) -> dict[str, str]:
    """Explained names of a section with type and text; "a, b : float" explains both, "**options" is `options`."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in text.splitlines():
        if line[:1].strip():
            head, _, kind = line.partition(" : ")
            names = re.split(r",\s*", head.strip().lstrip("*"))
            found |= dict.fromkeys(names, kind + "\n")
        else:
            found |= {name: found[name] + line + "\n" for name in names}
    return found


def paragraph(doc: str, title: str) -> str:
    """The paragraph that begins with "title:", without it."""
    found = re.search(rf"^{title}:\s*(.+?)(?=\n\s*\n|\n(?:Valid|Source):|\Z)", doc, re.MULTILINE | re.DOTALL)
    return re.sub(r"\s+", " ", found.group(1)) if found else ""
