"""The parts of a JUnit XML file that build servers read.

The message stands in the attribute and again in the element's text, since readers show one or the other;
names are unique, since some readers keep only the first of two alike.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping

from driftgate.report.text import plain


def new_suite(properties: Mapping[str, str]) -> ET.Element:
    """Return an empty suite with its properties."""
    suite = ET.Element("testsuite", name="driftgate")
    holder = ET.SubElement(suite, "properties")
    for name, value in properties.items():
        ET.SubElement(holder, "property", name=name, value=plain(value))
    return suite


def suite_text(suite: ET.Element) -> str:
    """Return a suite as XML, with what there is of each outcome counted."""
    counts = {
        "tests": len(suite.findall("testcase")),
        "failures": len(suite.findall("testcase/failure")),
        "errors": len(suite.findall("testcase/error")),
        "skipped": len(suite.findall("testcase/skipped")),
    }
    for name, count in counts.items():
        suite.set(name, str(count))
    suite.set("time", "0")
    root = ET.Element("testsuites", {"name": "driftgate"})
    root.append(suite)
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def add_test(suite: ET.Element, classname: str, name: str, path: str, line: int) -> ET.Element:
    """Add a test case about a place in a file (line 0: unknown)."""
    test = ET.SubElement(
        suite, "testcase", classname=plain(classname), name=plain(name), file=plain(path), time="0"
    )
    if line:
        test.set("line", str(line))
    return test


def add_trouble(test: ET.Element, tag: str, kind: str, lines: list[str]) -> None:
    """Say that a test case has failed, or could not be run: `tag` is "failure" or "error"."""
    element = ET.SubElement(test, tag, type=kind, message=plain(lines[0]))
    element.text = "\n".join(plain(line) for line in lines)


def add_output(test: ET.Element, lines: list[str]) -> None:
    """Add what a test case has to say."""
    ET.SubElement(test, "system-out").text = "\n".join(plain(line) for line in lines)


def add_skipped(test: ET.Element, message: str) -> None:
    """Say that a test case neither passes nor fails."""
    ET.SubElement(test, "skipped", message=plain(message))


def dotted(path: str) -> str:
    """Return a path as a class name; readers group by the part before the last dot."""
    return path.removesuffix(".yaml").removesuffix(".yml").replace(".", "_").replace("/", ".")
