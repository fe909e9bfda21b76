"""Reading one YAML file: what it means, where it stands, and what is refused, how fast."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import InvalidInput, Problem
from pipeline.yamlfile import MAX_BYTES, Document, dotted, inside, read


def written(folder: Path, text: str | bytes) -> Document:
    path = folder / "x.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read(path, "x.yaml", folder)


def refused(folder: Path, text: str | bytes) -> Problem:
    start = time.process_time()
    with pytest.raises(InvalidInput) as raised:
        written(folder, text)
    assert time.process_time() - start < 3  # of one core, and a busy one at that
    (problem,) = raised.value.problems
    assert problem.file == "x.yaml"
    assert "\n" not in str(problem)
    return problem


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # YAML 1.2.2, section 10.3.2, table of the core schema and example 10.9
        ("null", None),
        ("~", None),
        ("", None),
        ("true", True),
        ("False", False),
        ("0", 0),
        ("-19", -19),
        ("012", 12),
        ("0o7", 7),
        ("0x3A", 58),
        ("0.", 0.0),
        ("-0.0", 0.0),
        (".5", 0.5),
        ("12e03", 12000.0),
        ("-2E+05", -200000.0),
        # what YAML 1.1 would have turned into something else
        ("NO", "NO"),
        ("on", "on"),
        ("12:30:00", "12:30:00"),
        ("1_000", "1_000"),
        ("2024-10-03", "2024-10-03"),
        ("'12'", "12"),
        ('"true"', "true"),
        ("-", "-"),
        ("1.2.3", "1.2.3"),
    ],
)
def test_scalars_mean_what_the_core_schema_says(tmp_path: Path, text: str, value: object) -> None:
    if text == "-":
        text = '"-"'
    found = written(tmp_path, f"a: {text}\n").value["a"]
    assert found == value
    assert type(found) is type(value)


def test_every_place_has_its_line(tmp_path: Path) -> None:
    text = "# c\na: 1\nb:\n  - x\n\n  - c: 2\n    d: [3,\n      4]\n"
    document = written(tmp_path, text)
    assert document.value == {"a": 1, "b": ("x", {"c": 2, "d": (3, 4)})}
    assert document.line(("a",)) == 2
    assert document.line(("b",)) == 3
    assert document.line(("b", 0)) == 4
    assert document.line(("b", 1, "c")) == 6
    assert document.line(("b", 1, "d", 0)) == 7
    assert document.line(("b", 1, "d", 1)) == 8
    assert document.line(("b", 1, "nothing", "there")) == 6
    assert dotted(("b", 1, "d", 0)) == "b[1].d[0]"


def test_line_endings_and_the_byte_order_mark_do_not_matter(tmp_path: Path) -> None:
    assert written(tmp_path, "\ufeffa: 1\r\nb: 2\r\n").value == {"a": 1, "b": 2}


@pytest.mark.parametrize(
    ("text", "line", "path", "found"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, "a", "`a` is written twice (first in line 1)"),
        ("a: &x [1]\n", 1, "a", "the anchor &x"),
        ("a: 1\nb: *x\n", 2, "b", "the alias *x"),
        ("a: {<<: {b: 1}}\n", 1, "a", "the merge key <<"),
        ("a: !!python/object/apply:os.system [x]\n", 1, "a", "the tag !!python/object/apply"),
        ("a: !mine 1\n", 1, "a", "the tag !mine"),
        ("a:\n  b: .nan\n", 2, "a.b", ".nan"),
        ("a: -.inf\n", 1, "a", "-.inf"),
        ("a: 1e999\n", 1, "a", "the number 1e999"),
        ("a: 9007199254740994\n", 1, "a", "the number 9007199254740994"),
        ("a: " + "9" * 5000, 1, "a", "the number 99999999999999999999..."),
        ("a: 1\n---\nb: 2\n", 2, "", "a second document"),
        ("%YAML 1.1\n---\na: 1\n", 2, "", "a YAML directive"),
        ("a:\n\tb: 1\n", 2, "", "a tab in the indentation"),
        ("a:\t1\n", 1, "", "a tab"),
        ("a: 1\nb: \x07\n", 2, "", "the character U+0007"),
        ("? [a]\n: 1\n", 1, "", "a key that is not plain text"),
        ("a: 1\n: 2\n", 2, "", "a key of 0 characters"),
        (f"? {'k' * 300}\n: 1\n", 1, "", "a key of 300 characters"),
        ('"a\\e[31m": 1\n', 1, "", "a key of 6 characters"),
        ('a: "\\ud800"\n', 1, "a", "half of a character"),
        ("a: [1\nb: 2\n", 2, "", "this is not YAML"),
        ("a: b: c\n", 1, "", "this is not YAML"),
    ],
)
def test_what_is_refused_is_named_with_its_line(
    tmp_path: Path, text: str, line: int, path: str, found: str
) -> None:
    problem = refused(tmp_path, text)
    assert (problem.line, problem.path) == (line, path)
    assert problem.found.startswith(found)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-be", "utf-32", "latin-1"])
def test_only_utf_8_is_read(tmp_path: Path, encoding: str) -> None:
    problem = refused(tmp_path, "a: 1\nb: Größe\n".encode(encoding))
    assert "UTF-8" in problem.found + problem.allowed or "U+0000" in problem.found


HOSTILE = {
    "a million aliases": "a: &a [1]\nb: [" + "*a," * 80_000 + "]",
    "an exponential bomb": "a: &a [x,x]\n" + "".join(
        f"{chr(98 + i)}: &{chr(98 + i)} [*{chr(97 + i)},*{chr(97 + i)}]\n" for i in range(20)
    ),
    "10,000 levels of lists": "[" * 10_000,
    "closed levels": "[" * 10_000 + "]" * 10_000,
    "10,000 levels of mappings": "{a: " * 10_000,
    "levels by indentation": "".join(" " * i + "a:\n" for i in range(600)),
    "levels by dashes": "- " * 100_000,
    "too many items": "[" + "1," * 120_000 + "]",
    "too many lines": "- a\n" * 60_000,
    "questions": "? " * 120_000,
    "bangs": "a: " + "!" * 250_000,
    "an open quote": 'a: "' + "x" * 250_000,
    "just too large": "#" * (MAX_BYTES + 1),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_are_refused_quickly(tmp_path: Path, name: str) -> None:
    refused(tmp_path, HOSTILE[name])


def test_a_50_mb_file_is_refused_by_its_size_alone(tmp_path: Path) -> None:
    path = tmp_path / "x.yaml"
    with path.open("wb") as stream:
        stream.truncate(50_000_000)
    start = time.process_time()
    with pytest.raises(InvalidInput, match=r"x\.yaml: the file has 50,000,000 bytes"):
        read(path, "x.yaml", tmp_path)
    assert time.process_time() - start < 0.05


def test_what_is_no_regular_file_is_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    (tmp_path / "folder.yaml").mkdir()
    for name in ("pipe.yaml", "folder.yaml", "missing.yaml"):
        with pytest.raises(InvalidInput, match=name):
            read(tmp_path / name, name, tmp_path)


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "outside.yaml").write_text("secret: 1\n")
    job = tmp_path / "job"
    job.mkdir()
    (job / "x.yaml").symlink_to(tmp_path / "outside.yaml")
    with pytest.raises(InvalidInput, match="a link that leaves the folder"):
        read(job / "x.yaml", "x.yaml", job)


@pytest.mark.parametrize(
    "path",
    ["", "../a", "a/../../b", "/etc/passwd", "C:\\a", "c:a", "a\\..\\b", "a\nb", "a\0b", "out/a"],
)
def test_paths_never_leave_their_folder(tmp_path: Path, path: str) -> None:
    job = tmp_path / "job"
    job.mkdir()
    (job / "out").symlink_to(tmp_path)
    with pytest.raises(ValueError, match=r"path|link"):
        inside(job, path)
    assert inside(job, "tables/a.cube") == job / "tables/a.cube"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200),
        st.text(alphabet="ab:-?[]{},&*!|>'\"%#~<\n\t 0.1e\\x", max_size=120),
    )
)
def test_no_file_raises_anything_but_invalid_input(tmp_path: Path, text: str | bytes) -> None:
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    try:
        document = written(tmp_path, data)
    except InvalidInput as error:
        assert len(error.problems) == 1
    else:
        assert all(line >= 1 for line in document.lines.values())
