"""Names of delivered files, from a template and what is known of each frame.

A name can never leave its folder, hide, or clash with a device or with its neighbour on any common
file system. Knows nothing of jobs, and opens nothing.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from pipeline.errors import InvalidInput, Problem
from pipeline.records import Origin

FIELDS = (
    *("client", "job", "frame", "seq", "setup", "product", "version", "rating", "delivery"),
    *("date", "width", "crop"),
)
MAX_NAME_BYTES = 200
MAX_PADDING = 6
NOWHERE = Origin("", 0)

_PART = re.compile(r"([^{}]*)(?:\{([^{}]*)\})?")
_FIELD = re.compile(r"([a-z]+)(?::(?:0([1-9])|((?:%[YymdHMS]|[-_.])+)))?")
_PLAIN = re.compile(r"[\w.-]+")
# Windows keeps these for devices, with any extension (Microsoft: "Naming Files, Paths, Namespaces")
_DEVICES = re.compile(r"(?:con|prn|aux|nul|(?:com|lpt)[0-9¹²³])(?=\.|\Z)", re.IGNORECASE)

ALLOWED = (
    f"letters, digits, . _ - and the fields {{{'}, {'.join(FIELDS)}}}; {{seq:03}} pads with zeros, "
    "{date:%Y%m%d} writes a date with %Y %y %m %d %H %M %S"
)


@dataclass(frozen=True, slots=True)
class Template:
    """A checked template: ``parts`` are (text, field or None, how it is written).

    How is the number of digits of ``seq``, the form of ``date`` as in ISO C's ``strftime``, or
    nothing.
    """

    parts: tuple[tuple[str, str | None, str], ...]

    @classmethod
    def parse(cls, text: str) -> Template:
        """The template that a person wrote; raises ``ValueError`` with what is wrong with it."""
        if not text or len(text) > MAX_NAME_BYTES:
            raise ValueError(f"a template of {len(text)} characters")
        parts: list[tuple[str, str | None, str]] = []
        at = 0
        while at < len(text):
            match = _PART.match(text, at)
            if not match or match.end() == at:
                raise ValueError(f"an unmatched {text[at]}")
            literal, field = match.groups()
            if literal and not _PLAIN.fullmatch(literal):
                raise ValueError(f'"{literal}" holds characters that do not belong in a file name')
            parts.append((literal, *_field(field)))
            at = match.end()
        return cls(tuple(parts))

    def filled(self, row: Mapping[str, object]) -> str:
        """The name for one file, without extension. ``row`` has ``taken_at`` for a ``date``'s form.

        Raises ``ValueError`` where a field is unknown or nothing safe is left.
        """
        text = ""
        for literal, field, how in self.parts:
            text += literal
            if field is not None:
                written = field == "date" and how
                value = row.get("taken_at" if written else field)
                if value is None or value == "":
                    raise ValueError(f"its {field} is not known")
                if written:
                    text += datetime.fromisoformat(str(value)).strftime(how)
                else:
                    text += f"{value:0{how}d}" if isinstance(value, int) else slug(str(value))
        return _safe(text)


def _field(text: str | None) -> tuple[str | None, str]:
    if text is None:
        return None, ""
    match = _FIELD.fullmatch(text)
    if not match or match[1] not in FIELDS:
        raise ValueError(f"{{{text}}} is not a field")
    field, padding, form = match.groups(default="")
    if padding and (field != "seq" or int(padding) > MAX_PADDING):
        raise ValueError(f"{{{text}}}: only seq is padded, to at most {MAX_PADDING} digits")
    if form and field != "date":
        raise ValueError(f"{{{text}}}: only date is written in a form of its own")
    return field, padding or form


def slug(text: str) -> str:
    """Letters and digits of any script in composed form; ``-`` for runs of anything else."""
    kept = "".join(
        char if char in "-_." or unicodedata.category(char)[0] in "LMN" else " "
        for char in unicodedata.normalize("NFC", text)
    )
    return "-".join(kept.split()).strip(".-")


def _safe(text: str) -> str:
    """A name that no file system, shell or archive takes for something else."""
    name = unicodedata.normalize("NFC", re.sub(r"\.{2,}", ".", text)).strip(".-")
    if _DEVICES.match(name):
        name = "_" + name
    size = len(name.encode())
    if not 0 < size <= MAX_NAME_BYTES:
        raise ValueError(f"its name would have {size} bytes, allowed are 1 to {MAX_NAME_BYTES}")
    return name


def is_device(name: str) -> bool:
    """Whether Windows would take a name for a device."""
    return bool(_DEVICES.match(name))


def file_names(
    template: str, rows: Sequence[Mapping[str, object]], origin: Origin = NOWHERE
) -> list[str]:
    """The name of every row's file, without extension, in the rows' order.

    A row holds the ``FIELDS`` that are known; ``frame`` always. Raises ``InvalidInput`` with every
    row that has no name, or whose name a file system that ignores case or Unicode form would take
    for another's. ``origin`` is where the template stands.
    """
    try:
        parsed = Template.parse(template)
    except ValueError as error:
        raise InvalidInput([_problem(origin, str(error), ALLOWED)]) from None
    names: list[str] = []
    problems: list[Problem] = []
    taken: dict[str, object] = {}
    for row in rows:
        try:
            name = parsed.filled(row)
        except ValueError as error:
            found = f"frame {row['frame']}: {error}"
            problems.append(_problem(origin, found, "a name that all have, or other `frames:`"))
            continue
        same = unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())
        if same in taken:
            found = f"frames {taken[same]} and {row['frame']} would both be called {name}"
            problems.append(_problem(origin, found, "{frame} or {seq} in the name"))
        taken.setdefault(same, row["frame"])
        names.append(name)
    if problems:
        raise InvalidInput(problems)
    return names


def _problem(origin: Origin, found: str, allowed: str) -> Problem:
    return Problem(origin.file, origin.line, "name", found, allowed)
