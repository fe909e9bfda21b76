"""What the colour report is told, and what it finds out. Plain frozen records, nothing else.

Every Lab value is CIE 1976 L*a*b* under D50, 2 degree observer, relative to the white of the
profile connection space. Places in a picture are shares of its width and height, 0 to 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

from pipeline.records import Shown

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Lab: TypeAlias = tuple[float, float, float]
Place: TypeAlias = tuple[float, float]
"""Across and down, as shares of width and height."""
Box: TypeAlias = tuple[float, float, float, float]
"""Left, top, right, bottom, as shares of width and height."""
Density: TypeAlias = "NDArray[np.float32] | Callable[[slice, slice, int, int], NDArray[np.float32]]"
"""How much of a mask lies on each pixel, 0 to 1: an array (height, width) of the file's size, or a
function of rows, columns, height and width that gives the array of that window."""

Rendering = Literal["look", "neutral"]

WHOLE: Box = (0.0, 0.0, 1.0, 1.0)


# --- what the report is told --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Target:
    """A named colour as it should be."""

    name: str
    lab: Lab


@dataclass(frozen=True, slots=True)
class Chart:
    """A 24-patch chart as it lies in one file.

    ``corners`` are the outer corners of its patches as in ``kernels.chart``: of the first patch,
    the last of the first row, the last, the first of the last row. ``targets`` are the patches in
    reading order, four rows of six; the last row is the neutral ramp, white first.
    """

    corners: tuple[Place, Place, Place, Place]
    targets: tuple[Target, ...]
    edition: str = ""


@dataclass(frozen=True, slots=True)
class Product:
    """A product in one file: the colour that it should have and where it is.

    ``tolerance`` is in ΔE00. ``density`` is looked at inside ``box`` only.
    """

    name: str
    lab: Lab
    tolerance: float
    density: Density
    box: Box = WHOLE


@dataclass(frozen=True, slots=True)
class ToMeasure:
    """One delivered file and what can be measured in it.

    ``space`` is the name in ``kernels.spaces`` that the delivery asks for, or the file of an ICC
    profile, of which it is not known what it can hold. ``rendering`` says
    whether the house look is in it: a look moves colours on purpose, so its chart patches are shown
    as a distance and not judged, while products are judged in both. ``kelvin`` is the colour
    temperature that its balance was set to, where known. ``shown`` is what of the frame the file
    shows, None for all; chart and products are placed in the frame.
    """

    path: Path
    frame: str
    delivery: str
    version: int
    space: str
    setup: str | None = None
    rendering: Rendering = "look"
    chart: Chart | None = None
    products: tuple[Product, ...] = ()
    kelvin: float | None = None
    shown: Shown | None = None


@dataclass(frozen=True, slots=True)
class Correction:
    """A chart frame's patches before and after its setup's correction, neutrally rendered.

    ``before`` and ``after`` hold a Lab value for each of ``targets``. ``held_out_de00`` is the mean
    ΔE00 of patches that the fit did not see, where it was computed; ``about`` says in words what
    was fitted.
    """

    frame: str
    setup: str | None
    edition: str
    targets: tuple[Target, ...]
    before: tuple[Lab, ...]
    after: tuple[Lab, ...]
    about: str = ""
    held_out_de00: float | None = None


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What the job allows, in ΔE00, over the chart's patches as neutrally rendered."""

    mean: float | None = None
    p90: float | None = None
    max: float | None = None

    def over(self, chart: ChartResult) -> tuple[tuple[str, float, float], ...]:
        """What is over: its name, its value and the limit. NaN is over every limit."""
        judged = (
            ("mean ΔE00", chart.mean, self.mean),
            ("90th percentile of ΔE00", chart.p90, self.p90),
            ("maximum ΔE00", chart.max, self.max),
        )
        return tuple(
            (words, value, limit)
            for words, value, limit in judged
            if limit is not None and not value <= limit
        )


# --- what it finds out --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Difference:
    """A measured colour against its target.

    ``lightness``, ``chroma`` and ``hue`` are the signed parts of ΔE00, measured minus target, each
    divided by its weight, so that without the rotation term their squares add up to ΔE00 squared.
    ``de00_flat`` is ΔE00 with S_L = 1. ``in_gamut`` says whether the file's space can hold the
    target; where not, ``gamut_de00`` is what bringing it in by losing chroma costs.
    """

    name: str
    lab: Lab
    target: Lab
    de00: float
    de00_flat: float
    lightness: float
    chroma: float
    hue: float
    in_gamut: bool = True
    gamut_de00: float = 0.0


@dataclass(frozen=True, slots=True)
class Grey:
    """A patch of the neutral ramp: L* as it should be and as measured, and how far it is from grey.

    ``off_grey`` is the distance between measured and target in the a*b* plane.
    """

    name: str
    target: float
    measured: float
    off_grey: float


@dataclass(frozen=True, slots=True)
class ChartResult:
    """All patches of one chart, and what the guidelines ask of them."""

    patches: tuple[Difference, ...]
    ramp: tuple[Grey, ...]
    mean: float
    p90: float
    max: float
    mean_flat: float
    max_flat: float
    tone: float
    """The largest difference in L* on the neutral ramp."""
    white_balance: float
    """The largest distance in the a*b* plane on the neutral ramp."""


@dataclass(frozen=True, slots=True)
class ProductResult:
    """A product in one file: the mean over its lit part against its target.

    ``shading`` is the range of L* over the product, from its 5th to its 95th percentile, and
    ``lit_share`` how much of the product counted as lit.
    """

    difference: Difference
    tolerance: float
    shading: tuple[float, float]
    lit_share: float

    @property
    def passed(self) -> bool:
        return self.difference.de00 <= self.tolerance


@dataclass(frozen=True, slots=True)
class Measured:
    """One file as read back. ``problems`` are clauses: what is wrong with it, or not measurable.

    ``profile`` is the name that its embedded profile gives itself; ``thumbnail`` a small sRGB JPEG.
    """

    file: ToMeasure
    profile: str = ""
    width: int = 0
    height: int = 0
    chart: ChartResult | None = None
    products: tuple[ProductResult, ...] = ()
    thumbnail: bytes = b""
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CorrectionResult:
    """A correction judged: its chart before and after."""

    correction: Correction
    before: ChartResult
    after: ChartResult


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What would bring a product in one frame to where its group has it.

    ``stops`` is added to the exposure. ``mired`` and ``duv`` are added to the white that the
    balance assumes; ``kelvin`` is that white's new temperature where the present one is known.
    ``remaining`` is the ΔE00 that should be left.
    """

    stops: float
    mired: float
    duv: float
    remaining: float
    kelvin: float | None = None


@dataclass(frozen=True, slots=True)
class Member:
    """One frame's product, or the middle of one setup's, against the middle of its group."""

    name: str
    lab: Lab
    de00: float
    stands_out: bool
    suggestion: Suggestion | None = None


@dataclass(frozen=True, slots=True)
class Drift:
    """The same product in the files of one delivery: across a setup's frames, or across setups.

    ``setup`` is None for frames that are in none, and where ``across_setups``. ``middle`` is the
    median of each coordinate, ``mean`` the mean ΔE00 from it; ``largest`` is the largest ΔE00
    between any two members, and ``between`` are those two.
    """

    product: str
    delivery: str
    setup: str | None
    across_setups: bool
    middle: Lab
    mean: float
    largest: float
    between: tuple[str, str]
    tolerance: float
    members: tuple[Member, ...]


@dataclass(frozen=True, slots=True)
class Failure:
    """One thing that is not as agreed, in a sentence."""

    what: Literal["chart", "product", "file"]
    sentence: str


@dataclass(frozen=True, slots=True)
class ColourReport:
    """Everything that was found, and whether the job's tolerances are kept."""

    job: str
    made_at: str
    corrections: tuple[CorrectionResult, ...]
    files: tuple[Measured, ...]
    drifts: tuple[Drift, ...]
    tolerance: Tolerance
    failures: tuple[Failure, ...] = ()
    """What is over tolerance or could not be measured; empty if all is well."""

    @property
    def passed(self) -> bool:
        return not self.failures

    @property
    def exit_code(self) -> int:
        """0, or 1 where something is over the job's tolerance or could not be measured."""
        return 0 if self.passed else 1
