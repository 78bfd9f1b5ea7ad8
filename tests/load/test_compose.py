"""YAML to plain data: what is read, what is refused, where everything stands."""

from __future__ import annotations

import math
import string
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from driftgate.load import compose as compose_module
from driftgate.load.compose import DEEPEST, MOST_VALUES, Composed, compose
from driftgate.load.document import KEY
from driftgate.load.scalars import Trap, resolve
from driftgate.load.text import UNWANTED, split_lines

PARSERS = [pytest.param(yaml.SafeLoader, id="pure")]
if hasattr(yaml, "CSafeLoader"):
    PARSERS.append(pytest.param(yaml.CSafeLoader, id="libyaml"))


@pytest.fixture(params=PARSERS, autouse=True)
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run every test of this module on both parsers."""
    monkeypatch.setattr(compose_module, "_PARSER", request.param)


def composed(text: str) -> Composed:
    """Read a text as the file a.yaml."""
    return compose(text, "a.yaml", split_lines(text))


@pytest.mark.evidence(
    source="YAML 1.2.2, section 10.3.2", compares="what plain words mean", tolerance="exact"
)
@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("", None),
        ("null", None),
        ("Null", None),
        ("~", None),
        ("true", True),
        ("True", True),
        ("FALSE", False),
        ("0", 0),
        ("-0", 0),
        ("3", 3),
        ("-19", -19),
        ("0.", 0.0),
        ("-0.0", 0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -200000.0),
        ("1e3", 1000.0),
        ("nulll", "nulll"),
        ("inf", "inf"),
        ("24 in", "24 in"),
        ("-", "-"),
        ("=", "="),
        ("yesterday", "yesterday"),
        ("1.2.3", "1.2.3"),
    ],
)
def test_ref_core_schema(text: str, meaning: object) -> None:
    """Plain words mean what the core schema of YAML 1.2.2 says (section 10.3.2 and its example 10.9)."""
    assert resolve(text) == meaning
    assert type(resolve(text)) is type(meaning)


@pytest.mark.parametrize(
    "text",
    [
        "yes",
        "No",
        "ON",
        "off",
        "y",
        "N",
        "1:30",
        "22:30:45",
        "1:2.5",
        "010",
        "-012",
        "09.5",
        "1_000",
        "1_0.5",
        "0b11",
        "0o14",
        "0x1F",
        "2001-12-14",
        "2001-12-14t21:59:43.10-05:00",
        ".nan",
        "-.inf",
        "1e999",
        "9" * 5000,
    ],
)
def test_err_traps(text: str) -> None:
    """Spellings that YAML 1.1 reads otherwise, and numbers that are none, are refused, not guessed."""
    assert isinstance(resolve(text), Trap)
    read = composed(f"a: {text}\nb: 1\n")
    assert [finding.code for finding in read.findings] in (["DG105"], ["DG112"])
    assert read.settled == {("a",)}
    assert composed(f"a: '{text}'\n").data == {"a": text}


@pytest.mark.parametrize("word", ["off", "on", "Yes", "no", "y", "N"])
def test_law_a_key_is_a_word(word: str) -> None:
    """What is a yes or a no to YAML 1.1 is a key like any other, in quotes or not."""
    assert composed(f"{word}: 1\n").data == composed(f"'{word}': 1\n").data == {word: 1}
    assert composed(f"{word}: 1\n").findings == ()
    assert [f.code for f in composed(f"{word}: {word}\n").findings] == ["DG105"]


def test_law_no_plain_word_changes_silently() -> None:
    """What PyYAML's own YAML 1.1 resolver makes of a word is what we make of it, or a text, or refused."""
    words = [
        "1:30",
        "no",
        "off",
        "Yes",
        "010",
        "1_000",
        "0b11",
        "1e3",
        "12e03",
        "2001-12-14",
        "3",
        "1.5",
        "true",
        "x",
    ]
    for word in words:
        ours, theirs = resolve(word), yaml.safe_load(word)
        assert isinstance(ours, Trap) or ours == theirs or isinstance(theirs, str), word


def test_law_places_of_values_and_keys() -> None:
    """Lines and columns count characters from 1, for keys and values, also behind wide ones."""
    read = composed("a: 1\nb:\n  - x: [1 m, '温室 🌱', z]\n    y: 2\n")

    assert read.data == {"a": 1, "b": [{"x": ["1 m", "温室 🌱", "z"], "y": 2}]}
    assert read.source.positions[("b", 0, "x", 1)] == (3, 14)
    assert read.source.positions[("b", 0, "x", 2)] == (3, 22)
    assert read.source.positions[("b", 0, "y", KEY)] == (4, 5)
    assert read.source.where(("b", 0, "no", "such")) == (3, 5, "  - x: [1 m, '温室 🌱', z]")


@pytest.mark.parametrize(
    ("text", "line", "column", "code"),
    [
        ("", 1, 1, "DG102"),
        ("# nothing\n", 1, 1, "DG102"),
        ("a: 1\na: 2\n", 2, 1, "DG103"),
        ("a: {b: 1, c: 2, b: 3}\n", 1, 17, "DG103"),
        ("a: &x 1\nb: 2\n", 1, 4, "DG104"),
        ("a: !t 1\n", 1, 4, "DG104"),
        ("a: ! 1\n", 1, 4, "DG104"),
        ("<<: {a: 1}\n", 1, 1, "DG104"),
        ("%YAML 1.1\n---\na: 1\n", 1, 1, "DG104"),
        ("a: 1\n---\nb: 2\n", 2, 1, "DG104"),
        ("1: a\n", 1, 1, "DG104"),
        ("null: a\n", 1, 1, "DG104"),
        ("[a, b]: c\n", 1, 1, "DG104"),
        ("1:30: c\n", 1, 1, "DG105"),
        ('a: "\\x1b[31m"\n', 1, 4, "DG101"),
        ('"\\0": a\n', 1, 1, "DG101"),
    ],
)
def test_err_refused_at_its_place(text: str, line: int, column: int, code: str) -> None:
    """What these files may not hold is refused where it stands, by either parser."""
    (finding,) = composed(text).findings
    assert (finding.line, finding.column, finding.code) == (line, column, code)


def test_err_alias_bomb() -> None:
    """Nine levels of nine aliases end in findings, one for each anchor and alias, without growing."""
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 10)]
    read = composed("\n".join(rows))

    assert {finding.code for finding in read.findings} == {"DG104"}
    assert len(read.findings) == 10 + 9 * 9


@pytest.mark.parametrize("text", ["a: &a [*a]\n", "&a a: *a\n", "a: &a {b: *a}\n"])
def test_err_alias_to_itself(text: str) -> None:
    """An alias to its own anchor is refused like any other."""
    assert {finding.code for finding in composed(text).findings} == {"DG104"}


@pytest.mark.parametrize("levels", [DEEPEST + 1, 900, 5000, 100_000])
@pytest.mark.parametrize(("begin", "end"), [("[", "]"), ("{a: ", "}"), ("- ", ""), ("? ", "")])
def test_err_deep_nesting(levels: int, begin: str, end: str) -> None:
    """Nesting beyond the limit ends in a finding, however deep."""
    (finding,) = composed(begin * levels + "1" + end * levels).findings
    assert finding.code in ("DG106", "DG102")


def test_law_nesting_at_the_limit() -> None:
    """The deepest nesting allowed is read."""
    read = composed("[" * (DEEPEST - 1) + "1" + "]" * (DEEPEST - 1))
    assert read.findings == ()


def test_err_too_many_values() -> None:
    """Reading stops at the first value too many."""
    (finding,) = composed("\n".join(["- 1"] * MOST_VALUES)).findings
    assert (finding.code, finding.line) == ("DG106", MOST_VALUES)


def test_err_a_fault_per_line_does_not_flood() -> None:
    """A file that is wrong on every line shows a bounded number of findings."""
    assert len(composed("\n".join(f"- !t {n}" for n in range(5000))).findings) <= 101


words = st.text(st.sampled_from(string.ascii_letters + "éß温-"), min_size=1, max_size=8)
plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**9), 10**9)
    | words
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words, inner, max_size=4),
    max_leaves=15,
)


@given(plain)
def test_law_dumped_data_comes_back(data: Any) -> None:
    """Data written by PyYAML with every text in quotes reads back equal, each value with a place."""
    text = yaml.dump(data, Dumper=_Quoting, allow_unicode=True)
    read = composed(text)

    assert [f.code for f in read.findings] == []
    assert read.data == data or _near(read.data, data)
    assert set(_paths(data)) <= set(read.source.positions)


class _Quoting(yaml.SafeDumper):
    """Quotes every text, since a bare 'no' or 'on' is refused."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


_Quoting.add_representer(
    str, lambda dumper, text: dumper.represent_scalar("tag:yaml.org,2002:str", text, style='"')
)


def _near(a: Any, b: Any) -> bool:
    return isinstance(a, float | int) and isinstance(b, float) and math.isclose(a, b)


def _paths(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = enumerate(data) if isinstance(data, list) else data.items() if isinstance(data, dict) else ()
    return [path, *(p for key, value in items for p in _paths(value, (*path, key)))]


@given(st.text(st.sampled_from("abn: \n\t-?[]{},&*!|>'\"%@`#<=~.0159_eE+\\xu🌱é"), max_size=60))
def test_err_any_text_gives_findings_at_most(text: str) -> None:
    """No text makes the reader fail; what it reads holds texts as keys and finite numbers."""
    read = composed(text)
    for finding in read.findings:
        assert UNWANTED.search(finding.message + finding.suggestion) is None
        assert 0 <= finding.line <= len(read.source.lines)
    if read.whole and not read.findings:
        _check_plain(read.data)


def _check_plain(data: Any) -> None:
    if isinstance(data, dict):
        assert all(type(key) is str for key in data)
        for value in data.values():
            _check_plain(value)
    elif isinstance(data, list):
        for value in data:
            _check_plain(value)
    else:
        assert data is None or type(data) in (str, bool, int) or math.isfinite(data)


@pytest.mark.parametrize(
    "text", ["kind: routine\n? steps", "kind: routine\n? steps\n", "? kind", "a:\n  - ?"]
)
def test_pin_a_value_left_out_at_the_end_has_a_place_in_the_file(text: str) -> None:
    """A key without a value on the last line, with or without its end, is placed on a line that is there."""
    lines = split_lines(text)
    found = compose(text, "x.yaml", lines)
    for line, column in found.source.positions.values():
        assert 1 <= line <= len(lines)
        assert 1 <= column <= len(lines[line - 1]) + 1
