"""The typefaces of PDFs that are made here, and which of them some texts need."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fpdf import FPDF

FAMILY = "sheet"
_TYPEFACES = Path(str(files("weblate_fonts"))) / "static" / "weblate_fonts"
"""SIL Open Font License 1.1, all of them."""
REGULAR = _TYPEFACES / "source-sans/ttf/SourceSans3-Regular.ttf"
SEMIBOLD = _TYPEFACES / "source-sans/ttf/SourceSans3-Semibold.ttf"
MOST_SCRIPTS = _TYPEFACES / "kurinto/ttf/KurintoSans-Rg.ttf"
JAPANESE, KOREAN, CHINESE = (
    _TYPEFACES / f"kurinto/ttf/KurintoSans{script}-Rg.ttf" for script in ("JP", "KR", "SC")
)


@dataclass(frozen=True, slots=True)
class Letters:
    """The typefaces that some texts need behind our own, and what none of them has."""

    fallbacks: tuple[Path, ...]
    lacking: frozenset[str]

    @classmethod
    def for_texts(cls, texts: Iterable[str]) -> Letters:
        """For all characters in ``texts``."""
        wanted = set().union(*texts)
        varying = {c for c in wanted if _only_varies(c)}
        lacking = wanted - varying - _characters(REGULAR)
        fallbacks = []
        for path in (*_east_asian(lacking), MOST_SCRIPTS):
            if lacking and (found := lacking & _characters(path)):
                fallbacks.append(path)
                lacking -= found
        joiners = varying - {"\u200d"} if fallbacks else varying
        return cls(tuple(fallbacks), frozenset(lacking | joiners))

    @property
    def spells(self) -> bool:
        """Whether anything is spelt out."""
        return any(map(_spelt, self.lacking))

    def give_to(self, pdf: FPDF) -> None:
        """Let a document set these texts: ``FAMILY``, regular and bold, and what stands behind."""
        for style, path in zip(("", "B"), (REGULAR, SEMIBOLD), strict=True):
            pdf.add_font(FAMILY, style, str(path))
        behind = [f"more{number}" for number in range(len(self.fallbacks))]
        for family, path in zip(behind, self.fallbacks, strict=True):
            pdf.add_font(family, "", str(path))
        pdf.set_fallback_fonts(behind, exact_match=False)
        pdf.set_text_shaping(True)

    def text(self, text: str) -> str:
        """A text with every character that no typeface has spelt out, never an empty box."""
        if self.lacking.isdisjoint(text):
            return text
        return "".join(_spelt(c) if c in self.lacking else c for c in text)


def _east_asian(wanted: Iterable[str]) -> tuple[Path, ...]:
    """The same character is drawn in another way in Japan, Korea and China: look for the rest."""
    scripts = {unicodedata.name(c, "").split(" ")[0] for c in wanted}
    if not scripts.isdisjoint({"HIRAGANA", "KATAKANA", "KATAKANA-HIRAGANA"}):
        return JAPANESE, CHINESE, KOREAN
    if "HANGUL" in scripts:
        return KOREAN, CHINESE, JAPANESE
    return (CHINESE, JAPANESE, KOREAN) if "CJK" in scripts else ()


def _only_varies(character: str) -> bool:
    """Whether a character only chooses a variant of the one before it."""
    name = unicodedata.name(character, "")
    return character == "\u200d" or name.startswith(("VARIATION SELECTOR", "EMOJI MODIFIER"))


def _spelt(character: str) -> str:
    """Its name in Unicode, or its number."""
    if _only_varies(character):
        return ""
    return f"[{unicodedata.name(character, '').lower() or f'U+{ord(character):04X}'}]"


@cache
def _characters(path: Path) -> frozenset[str]:
    from fontTools.ttLib import TTFont

    with TTFont(path, lazy=True) as font:
        codes: Mapping[int, Any] = font.getBestCmap()
    return frozenset(map(chr, codes))
