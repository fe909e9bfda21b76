"""What files say of a picture: what job, setup and frame say laid over each other, and reminders.

Holds the words that people write for terms of the standards. Knows neither exiftool nor pixels.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline import naming

if TYPE_CHECKING:
    from pipeline.written import FrameFile, JobFile, SetupFile

DATA_MINING = {
    "unspecified": "DMI-UNSPECIFIED",
    "allowed": "DMI-ALLOWED",
    "prohibited": "DMI-PROHIBITED",
    "prohibited-for-ai-training": "DMI-PROHIBITED-AIMLTRAINING",
    "prohibited-for-generative-ai-training": "DMI-PROHIBITED-GENAIMLTRAINING",
    "prohibited-except-search-indexing": "DMI-PROHIBITED-EXCEPTSEARCHENGINEINDEXING",
    "prohibited-see-constraints": "DMI-PROHIBITED-SEECONSTRAINT",
}
"""PLUS vocabulary, Data Mining; without its two terms for rights in a machine's language, which
would have to be in the file too."""
MODEL_RELEASES = {
    "none": "MR-NON",
    "not-applicable": "MR-NAP",
    "unlimited": "MR-UMR",
    "limited": "MR-LMR",
}
"""PLUS vocabulary, Model Release Status; ``limited`` is "limited or incomplete"."""
PROPERTY_RELEASES = {
    "none": "PR-NON",
    "not-applicable": "PR-NAP",
    "unlimited": "PR-UPR",
    "limited": "PR-LPR",
}
"""PLUS vocabulary, Property Release Status."""
SOURCE_TYPES = (
    *("digitalCapture", "computationalCapture", "negativeFilm", "positiveFilm", "print"),
    *("humanEdits", "compositeCapture", "composite", "compositeSynthetic"),
    *("compositeWithTrainedAlgorithmicMedia", "algorithmicallyEnhanced"),
    *("trainedAlgorithmicMedia", "algorithmicMedia", "digitalCreation", "dataDrivenMedia"),
    *("screenCapture", "virtualRecording"),
)
"""IPTC NewsCodes, Digital Source Type, without its retired terms."""

RIGHTS = {
    *("creator", "credit_line", "copyright", "usage_terms", "web_statement"),
    *("licensor", "data_mining", "other_constraints"),
}
"""What a delivery with ``metadata: rights-only`` carries."""
SHOWN = ("people", "property")
"""What a picture is declared to show: for the reminders, and never in a file."""
TEMPLATES = {
    *("description", "headline", "title", "alt_text", "extended_description"),
    *("job_id", "instructions"),
}
"""Texts that may hold the fields of file names."""

CAUTION = "a reminder and no legal advice: local law decides"

_FIELD = re.compile(r"\{([a-z]+)(?::0([1-9]))?\}")


def said_by(file: JobFile | SetupFile | FrameFile) -> dict[str, Any]:
    """What one file says, as plain JSON values under one set of names; ``place_of`` leads back."""
    written: dict[str, Any] = file.model_dump(
        mode="json",
        include={"credit", "description", "keywords", "caption", "location", "releases"},
        exclude_none=True,
    )
    flat = dict(written.get("credit", {}))
    flat |= {key: written[key] for key in ("description", "keywords") if key in written}
    flat |= written.get("caption", {})
    if written.get("location"):
        flat["location"] = written["location"]
    flat |= written.get("releases", {})
    return flat


def place_of(file: JobFile | SetupFile | FrameFile, name: str) -> tuple[str, ...]:
    """Where something that ``said_by`` names stands in the file."""
    for section in ("credit", "caption", "releases"):
        if name in type(getattr(file, section)).model_fields:
            return (section, name)
    return (name,)


def laid_over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """What the more special file says counts; mappings are laid over each other key by key."""
    merged = dict(below)
    for name, value in above.items():
        under = merged.get(name)
        if isinstance(under, Mapping) and isinstance(value, Mapping):
            value = {**under, **value}  # noqa: PLW2901
        merged[name] = value
    return merged


def check_template(text: str) -> str:
    """The text; raises ``ValueError`` where something in braces looks like a field and is none."""
    for field, padding in _FIELD.findall(text):
        if field not in naming.FIELDS:
            raise ValueError(f"{{{field}}} is not a field")
        if padding and (field != "seq" or int(padding) > naming.MAX_PADDING):
            raise ValueError(
                f"{{{field}:0{padding}}}: only seq is padded, to at most"
                f" {naming.MAX_PADDING} digits"
            )
    return text


def filled(text: str, row: Mapping[str, object]) -> str:
    """A text with its fields as ``row`` knows them, written as they are.

    Raises ``ValueError`` where one is not known.
    """

    def value(match: re.Match[str]) -> str:
        known = row.get(match[1])
        if known is None or known == "":
            raise ValueError(f"its {match[1]} is not known")
        return f"{known:0{int(match[2])}d}" if match[2] else str(known)

    return _FIELD.sub(value, text)


def missing(said: Mapping[str, Any], *, read_on_screens: bool) -> Iterator[str]:
    """What a careful person would still say of a picture, as kinds of ``reminders``."""
    for shown, release in zip(SHOWN, ("model_release", "property_release"), strict=True):
        if said.get(shown) and said.get(release, "none") == "none":
            yield release
    yield from (kind for kind in ("creator", "copyright") if not said.get(kind))
    if read_on_screens and not said.get("alt_text"):
        yield "alt_text"


def reminders(found: Mapping[str, Sequence[str]]) -> list[str]:
    """Sentences from the frames of every kind that ``missing`` names. Nothing stops for them."""
    kinds = {
        "model_release": "people are shown, and there is no word of a model release",
        "property_release": "property is shown, and there is no word of a property release",
        "creator": "nobody is named who made the picture (creator)",
        "copyright": "no copyright notice",
        "alt_text": "no alt text for those who cannot see the picture",
    }
    sentences = []
    for kind, what in kinds.items():
        if names := list(dict.fromkeys(found.get(kind, ()))):
            more = f" and {len(names) - 6} more" if len(names) > 6 else ""
            sentences.append(f"{what}: {', '.join(names[:6])}{more} ({CAUTION})")
    return sentences
