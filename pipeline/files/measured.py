"""A photographer's own measured colours: CGATS (ISO 28178) and CSV tables.

Lab, XYZ (of 100) or reflectance spectra, under D50 and the 2 degree observer. What a file says of
another light or observer is refused: a spectrum can be taken to D50, a Lab value cannot. Every
``ValueError`` is a sentence with the file's name and the line.
"""

from __future__ import annotations

import csv
import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.difference import lab_of, xyz_of
from pipeline.kernels.references import PATCHES, WHITE, lab_of_reflectance

Float64 = NDArray[np.float64]

MAX_BYTES = 1 << 22
MAX_ROWS = 5000
MAX_COLUMNS = 1000

LAB_RANGE = ((0.0, 110.0), (-200.0, 200.0), (-200.0, 200.0))
"""What a surface can measure: a fluorescent white goes a little over L* 100."""
PERCENT_OVER = 2.0
"""Reflectances above this are in percent: no surface sends back twice the light, not even a
fluorescent one."""

_LAB, _XYZ = ("l", "a", "b"), ("x", "y", "z")
_NAMES = ("name", "patch", "samplename", "sampleid", "id", "sample", "sampleloc", "no", "number")
_WAVELENGTH = re.compile(r"(?:spectral|spec|r)?(?:nm)?(\d{3,4})(?:nm)?\Z")
_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?\Z")
_CGATS_WORD = re.compile(r'"([^"]*)"|(\S+)')
_LIGHT_KEYWORDS = ("WEIGHTING_FUNCTION", "ILLUMINANT", "ILLUMINATION_NAME", "OBSERVER")
_OTHER_LIGHT = re.compile(r"\b(?:A|C|D5(?!0)\d|D[67]\d|E|F\d+|FL\d+|LED-\w+|ID\d+)\b")
_OTHER_OBSERVER = re.compile(r"\b10\s*(?:°|DEG|DEGREE)|OBSERVER,?\s*10\b")


@dataclass(frozen=True, slots=True)
class _Table:
    """A file's columns by plain name, its rows with their lines, and what it says of the light.

    ``light`` is the line and the words of a remark that names another light or observer.
    """

    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    light: tuple[int, str] | None

    def wrong(self, line: int, sentence: str) -> ValueError:
        """The error to raise for a line; 0 is the file as a whole."""
        place = f"{self.file}, line {line}" if line else self.file
        return ValueError(f"{place}: {sentence}")


def read_chart(path: Path) -> Float64:
    """XYZ of 24 patches, (24, 3), under D50 (Y = 1 for a perfect diffuser), in chart order.

    Rows are named A1 to D6 (row, column; or A1 to F4: column, row), 1 to 24, or by the patches'
    names; 24 rows without such names are taken in chart order. Raises ``ValueError``.
    """
    table = _read(path)
    rows = _in_chart_order(table)
    xyz: Float64 = xyz_of(_lab(table, rows), WHITE)
    ramp = xyz[18:, 1]
    if not (np.diff(ramp) < 0).all():
        dark = 19 + int(np.argmax(np.diff(ramp) >= 0))
        raise table.wrong(
            rows[dark][0],
            f"{PATCHES[dark]} is not darker than {PATCHES[dark - 1]}; is the file in chart order "
            "(four rows of six, dark skin first, black last)?",
        )
    return xyz


def read_colour(path: Path, name: str | None = None) -> Float64:
    """Lab (D50, 2 degree) of one measured colour, (3,): the row called ``name``, or the only one.

    Raises ``ValueError``.
    """
    table = _read(path)
    if name is None:
        if len(table.rows) != 1:
            raise table.wrong(0, f"it holds {len(table.rows)} colours; say which one is meant")
        return np.asarray(_lab(table, table.rows)[0], np.float64)
    place = _name_column(table)
    found = [] if place is None else [row for row in table.rows if row[1][place].strip() == name]
    if not found:
        raise table.wrong(0, f"no row is called {name!r:.60}")
    if len(found) > 1:
        raise table.wrong(found[1][0], f"a second row is called {name!r:.60}")
    return np.asarray(_lab(table, found)[0], np.float64)


def _read(path: Path) -> _Table:
    """The table of a file, whichever of the two kinds it is."""
    try:
        status = path.stat()
        # asked before opening: a named pipe would wait for a writer
        if not stat.S_ISREG(status.st_mode):
            raise ValueError(f"{path.name}: this is not a regular file")
        if status.st_size > MAX_BYTES:
            raise ValueError(f"{path.name}: it is larger than {MAX_BYTES >> 20} MB")
        with path.open("rb") as file:
            data = file.read(MAX_BYTES)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise ValueError(f"{path.name}: the file cannot be read: {reason}") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # older instruments; only names could come out wrong
    if "\0" in text:
        raise ValueError(f"{path.name}: this is not a text file")
    lines = text.splitlines()
    begins = any(line.strip().upper() == "BEGIN_DATA_FORMAT" for line in lines)
    table = _cgats(path.name, lines) if begins else _comma_separated(path.name, lines)
    if len(table.columns) > MAX_COLUMNS:
        raise table.wrong(0, f"it has more than {MAX_COLUMNS} columns")
    if not table.rows:
        raise table.wrong(0, "it holds no colours")
    if len(table.rows) > MAX_ROWS:
        raise table.wrong(0, f"it has more than {MAX_ROWS} rows")
    return table


def _plain(name: str) -> str:
    """A column's or a patch's name without case, marks and the prefix of a colour space."""
    word = re.sub(r"[^a-z0-9]", "", name.lower())
    return re.sub(r"\A(?:lab|xyz|cielab|ciexyz)(?=[labxyz]\Z)", "", word)


def _cgats(file: str, lines: Sequence[str]) -> _Table:
    """A CGATS file: its fields, its data, and its remarks on the light. The first set only."""
    columns: list[str] = []
    rows: list[tuple[int, tuple[str, ...]]] = []
    light: tuple[int, str] | None = None
    part = "header"
    for number, line in enumerate(lines, 1):
        if line.lstrip().startswith("#"):
            continue
        words = [quoted or bare for quoted, bare in _CGATS_WORD.findall(line)]
        keyword = words[0].upper() if words else ""
        if keyword == "BEGIN_DATA_FORMAT":
            part = "format"
        elif keyword == "BEGIN_DATA":
            part = "data"
        elif keyword in ("END_DATA_FORMAT", "END_DATA"):
            part = "header"
            if keyword == "END_DATA":
                break
        elif part == "format":
            columns.extend(words)
        elif part == "data" and words:
            rows.append((number, tuple(words)))
        elif keyword in _LIGHT_KEYWORDS:
            said = " ".join(words[1:]).upper()
            if _OTHER_LIGHT.search(said) or _OTHER_OBSERVER.search(said):
                light = light or (number, " ".join(words[1:]))
    table = _Table(file, tuple(map(_plain, columns)), tuple(rows), light)
    _check_widths(table)
    return table


def _comma_separated(file: str, lines: Sequence[str]) -> _Table:
    """A CSV file: a line of column names, then a line a colour; lines with # are remarks."""
    kept = [
        (number, line)
        for number, line in enumerate(lines, 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not kept:
        raise ValueError(f"{file}: it holds no colours")
    header = kept[0][1]
    separator = max(",;\t", key=header.count)
    try:
        parsed = [next(csv.reader([line], delimiter=separator)) for _number, line in kept]
    except csv.Error as error:
        raise ValueError(f"{file}: this is not a table: {error}") from None
    columns = tuple(_plain(word) for word in parsed[0])
    rows = tuple(
        (number, tuple(words)) for (number, _line), words in zip(kept[1:], parsed[1:], strict=True)
    )
    table = _Table(file, columns, rows, None)
    _check_widths(table, kept[0][0])
    return table


def _check_widths(table: _Table, header_line: int = 0) -> None:
    if len(set(table.columns)) != len(table.columns):
        double = next(name for name in table.columns if table.columns.count(name) > 1)
        raise table.wrong(header_line, f"two columns are called {double!r:.40}")
    for line, words in table.rows:
        if len(words) != len(table.columns):
            raise table.wrong(
                line, f"{len(words)} values, where there are {len(table.columns)} columns"
            )


def _name_column(table: _Table) -> int | None:
    """Which column names the rows."""
    for name in _NAMES:
        if name in table.columns:
            return table.columns.index(name)
    return None


def _in_chart_order(table: _Table) -> list[tuple[int, tuple[str, ...]]]:
    """The 24 rows of a chart, from dark skin to black."""
    for place, column in enumerate(table.columns):
        if column not in _NAMES:
            continue
        names = [words[place] for _line, words in table.rows]
        numbers = _patch_numbers(names)
        if all(number is None for number in numbers):
            continue
        rows: dict[int, tuple[int, tuple[str, ...]]] = {}
        for row, number in zip(table.rows, numbers, strict=True):
            if number is None:
                continue
            if number in rows:
                raise table.wrong(row[0], f"the patch {PATCHES[number]} is there twice")
            rows[number] = row
        missing = [PATCHES[number] for number in range(24) if number not in rows]
        if missing:
            raise table.wrong(0, f"a chart has 24 patches; missing: {', '.join(missing)}")
        return [rows[number] for number in range(24)]
    if len(table.rows) != 24:
        raise table.wrong(
            0,
            f"it has {len(table.rows)} rows; a chart has 24, named A1 to D6, 1 to 24, or by the "
            "patches' names",
        )
    return list(table.rows)


def _patch_numbers(names: Sequence[str]) -> list[int | None]:
    """The place of each name in the chart, from 0; None for names of something else."""
    cells = [re.fullmatch(r"([A-F])0?([1-6])", name.strip().upper()) for name in names]
    by_column = any(cell is not None and cell[1] in "EF" for cell in cells)
    patches = {_plain(patch): number for number, patch in enumerate(PATCHES)}
    patches |= {"white95": 18, "black2": 23}
    result: list[int | None] = []
    for name, cell in zip(names, cells, strict=True):
        number: int | None = None
        if cell is not None:
            letter, digit = "ABCDEF".index(cell[1]), int(cell[2]) - 1
            row, column = (digit, letter) if by_column else (letter, digit)
            number = 6 * row + column if row < 4 else None
        elif re.fullmatch(r"0*(?:[1-9]|1\d|2[0-4])", name.strip()):
            number = int(name) - 1
        else:
            # a density may follow in brackets
            number = patches.get(_plain(name.partition("(")[0]))
        result.append(number)
    return result


def _lab(table: _Table, rows: Sequence[tuple[int, tuple[str, ...]]]) -> Float64:
    """Lab (D50, 2 degree) of rows, (n, 3), from whichever columns there are; spectra first."""
    wavelengths = {
        int(match[1]): place
        for place, name in enumerate(table.columns)
        if (match := _WAVELENGTH.match(name)) is not None and 300 <= int(match[1]) <= 1100
    }
    if len(wavelengths) > 1:
        nm = sorted(wavelengths)
        values = _values(table, rows, [wavelengths[wavelength] for wavelength in nm])
        if values.max() > PERCENT_OVER:
            values = values / 100
        if values.min() < -0.05 or values.max() > PERCENT_OVER:
            line = rows[int(np.abs(values).max(axis=1).argmax())][0]
            raise table.wrong(line, "a reflectance that is not between 0 and 1, or 0 and 100 %")
        try:
            return lab_of_reflectance(nm, np.maximum(values, 0))
        except ValueError as error:
            raise table.wrong(0, str(error)) from None
    for names in (_LAB, _XYZ):
        if all(name in table.columns for name in names):
            break
    else:
        raise table.wrong(
            0,
            "no columns of colours; there must be L, a, b or X, Y, Z or reflectances by wavelength",
        )
    if table.light is not None:
        line, said = table.light
        raise table.wrong(
            line,
            f"its values are for {said!r:.60}; give values for D50 and the 2 degree observer, or "
            "spectra",
        )
    values = _values(table, rows, [table.columns.index(name) for name in names])
    lab = values if names == _LAB else lab_of(values / 100, WHITE)
    for (line, _words), row in zip(rows, lab, strict=True):
        for value, (low, high), letter in zip(row, LAB_RANGE, "Lab", strict=True):
            if not low - 0.5 <= value <= high:
                raise table.wrong(
                    line, f"{letter}* is {value:g}; a surface lies between {low:g} and {high:g}"
                )
    if names == _XYZ and len(rows) > 1 and values[:, 1].max() <= PERCENT_OVER:
        raise table.wrong(0, "its X, Y, Z go up to 1; give them of 100, as instruments do")
    return lab


def _values(
    table: _Table, rows: Sequence[tuple[int, tuple[str, ...]]], places: Sequence[int]
) -> Float64:
    """The numbers of some columns, (rows, columns); a decimal comma is understood."""

    def numbers() -> Iterator[float]:
        for line, words in rows:
            for place in places:
                word = words[place].strip()
                if not _NUMBER.match(word):
                    raise table.wrong(line, f"{word!r:.40} is not a number")
                yield float(word.replace(",", "."))

    return np.array(list(numbers()), np.float64).reshape(len(rows), len(places))
