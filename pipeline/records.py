"""Frozen records that the plan, the engines and the manifest hand to each other.

Plain data only: nothing here opens a file, and everything pickles and goes to JSON.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

REJECTED = -1
"""The rating of a frame that is not to be seen any more."""

State = Literal[
    "ingested",
    "rejected",
    "select",
    "developed",
    "at-retouch",
    "retouched",
    "approved",
    "delivered",
]
ActionKind = Literal["measure", "develop", "deliver", "nothing", "wait", "stale"]
CompanionKind = Literal["jpeg", "sidecar", "movie"]
HowSettled = Literal["keep", "again", "carry", "round"]


@dataclass(frozen=True, slots=True)
class Capture:
    """What the camera noted; times in ISO 8601, with the fraction and offset where known.

    ``make`` and ``model`` are what it calls its maker and itself (Exif 3.0, tags 271 and 272), None
    in manifests of before they were kept apart; ``camera`` is both in one name.
    ``focus_m`` is the distance that was focused on, ``rating`` one from -1 to 5 that was given in
    the camera. ``as_shot_red`` and ``as_shot_blue`` are what its white balance multiplies red and
    blue by where green is left as it is. ``opcodes`` says that the file asks for corrections of its
    lens or sensor that nobody does here (DNG 1.7.1, OpcodeList1 to 3).
    """

    taken_at: str | None = None
    camera: str | None = None
    serial: str | None = None
    lens: str | None = None
    iso: float | None = None
    exposure_s: float | None = None
    aperture: float | None = None
    focal_mm: float | None = None
    focus_m: float | None = None
    rating: int | None = None
    orientation: int = 1
    width: int | None = None
    height: int | None = None
    as_shot_red: float | None = None
    as_shot_blue: float | None = None
    make: str | None = None
    model: str | None = None
    opcodes: bool = False

    @property
    def exposure(self) -> str:
        """``1/320 s, f/5.6, ISO 400, 85 mm``, as cameras write it; the unknown is left out."""
        facts = []
        if seconds := self.exposure_s:
            facts.append(f"1/{1 / seconds:.0f} s" if seconds < 0.3 else f"{seconds:.3g} s")
        if self.aperture:
            facts.append(f"f/{self.aperture:g}")
        if self.iso:
            facts.append(f"ISO {self.iso:g}")
        if self.focal_mm:
            facts.append(f"{self.focal_mm:g} mm")
        return ", ".join(facts)


@dataclass(frozen=True, slots=True)
class Original:
    """A file that the job must never change. ``path`` is relative to the job, or absolute."""

    path: str
    digest: str
    size_bytes: int
    capture: Capture = field(default_factory=Capture)


@dataclass(frozen=True, slots=True)
class Companion:
    """A file that came in with originals and is no frame: ``frame``'s JPEG or sidecar, or a movie.

    ``digest`` is of its content when it came in; a sidecar is written to later.
    """

    path: str
    digest: str
    size_bytes: int
    kind: CompanionKind
    frame: str | None = None


@dataclass(frozen=True, slots=True)
class Artifact:
    """A file that Safelight made. ``path`` is relative to the job."""

    path: str
    digest: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Version:
    """A distinct rendering of a frame that was written: v1, v2, ...

    ``inputs`` is what its key was computed from (see ``pipeline.plan.inputs_of``), kept so that the
    plan can say which parameter changed since.
    """

    frame: str
    number: int
    key: str
    reason: str
    inputs: Mapping[str, Any]
    master: Artifact
    made_at: str


@dataclass(frozen=True, slots=True)
class Shown:
    """A part of a frame in a file: its edges as shares of the frame's width and height, and the
    border's pixels around it."""

    left: float
    top: float
    right: float
    bottom: float
    border_px: int = 0


@dataclass(frozen=True, slots=True)
class Delivered:
    """One file of a delivery, and the version of the frame that it carries.

    ``inputs`` is what its key was computed from (see ``pipeline.plan.delivery_inputs``); ``shown``
    is what it shows of the frame.
    """

    delivery: str
    frame: str
    version: int
    key: str
    inputs: Mapping[str, Any]
    artifact: Artifact
    made_at: str
    shown: Shown | None = None


@dataclass(frozen=True, slots=True)
class PackedFile:
    """A delivered file as it lies in a bag: ``file`` is its name there, ``digest`` the manifest's,
    ``sha256`` (hex digits) the bag's. ``width`` and ``height`` are in pixels."""

    frame: str
    file: str
    version: int
    width: int
    height: int
    size_bytes: int
    sha256: str
    digest: str


@dataclass(frozen=True, slots=True)
class PackedBag:
    """A delivery as it was packed once. ``sha256`` is that of the bag's tag manifest."""

    delivery: str
    number: int
    at: str
    sha256: str
    files: tuple[PackedFile, ...]

    @property
    def name(self) -> str:
        """What the bag is called, and its folder."""
        return bag_name(self.delivery, self.number)


def bag_name(delivery: str, number: int) -> str:
    """``web_0001``."""
    return f"{delivery}_{number:04}"


@dataclass(frozen=True, slots=True)
class Request:
    """One thing that is asked of the retoucher; ``number`` counts from 1 in the frame's file.

    ``where`` is a mask as plain JSON values (``pipeline.masking.Mask``) with every name in it
    looked up, None for no place in particular; ``files`` maps each file that it reads to its
    digest. A hand-off whose ``must`` request changed nothing when it comes back is questioned.
    ``by`` is who asks.
    """

    number: int
    what: str
    where: Mapping[str, Any] | None = None
    must: bool = False
    files: Mapping[str, str] = field(default_factory=dict)
    by: str | None = None


@dataclass(frozen=True, slots=True)
class Handoff:
    """One frame on its way to the retoucher: what was sent, and from what.

    ``version`` is the one whose pixels, up to and without the finish stage, are in ``sent``, the
    TIFF. ``inputs`` decided them (``pipeline.plan.sent_inputs``), ``key`` is their digest.
    ``masks`` are the 8-bit pictures of the requests' places, by the requests' numbers, ``files``
    the other files of this frame in the round's folder. ``width`` and ``height`` are
    upright; ``space`` names the TIFF's colour space. ``base`` is the round whose returned file was
    sent on, None where the frame was developed for it. ``supersedes`` is the round that it takes
    the place of, which was still out.
    """

    round: int
    frame: str
    version: int
    key: str
    inputs: Mapping[str, Any]
    to: str
    at: str
    due: str | None
    requests: tuple[Request, ...]
    sent: Artifact
    masks: Mapping[int, Artifact]
    files: tuple[Artifact, ...]
    width: int
    height: int
    space: str
    document_id: str
    instance_id: str
    base: int | None = None
    supersedes: int | None = None


@dataclass(frozen=True, slots=True)
class Returned:
    """A file that came back for a hand-off and was accepted.

    ``file`` is the copy, byte for byte, under the round's ``back/``. ``pixels`` is what Safelight
    made of it where it could not be used as it is (converted, flattened), else None; ``space`` is
    that of whichever is used. ``examined`` holds the figures and findings as plain JSON values;
    ``picture`` is the change map. ``note`` is what the person said who accepted it.
    """

    round: int
    frame: str
    file: Artifact
    pixels: Artifact | None
    space: str
    examined: Mapping[str, Any]
    picture: Artifact | None
    at: str
    note: str | None = None

    @property
    def used(self) -> Artifact:
        """The file that the finish stage builds on."""
        return self.pixels or self.file


@dataclass(frozen=True, slots=True)
class Settled:
    """A person's decision about a retouched frame.

    ``keep``: the retouch stands although what was sent would look different now. ``again``: it is
    set aside, and the frame is handed off anew. ``carry``: it was transferred onto the new version,
    into ``carried``. ``round``: the file of an earlier round counts again. ``key`` and ``inputs``
    are those that it was decided about: a later change makes the frame stale again.
    """

    round: int
    frame: str
    how: HowSettled
    key: str
    inputs: Mapping[str, Any]
    at: str
    carried: Artifact | None = None
    picture: Artifact | None = None
    space: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """A hand-off that was called back before anything came of it."""

    round: int
    frame: str
    at: str
    note: str | None = None


Trip = Handoff | Returned | Settled | Withdrawn
"""One thing that happened to a frame between the job and the retoucher."""


@dataclass(frozen=True, slots=True)
class Round:
    """One trip to the retoucher: a folder, ``retouch/round-01/out`` and so on.

    ``files`` are those that belong to no single frame: the request sheet, the checksums.
    """

    number: int
    to: str
    at: str
    due: str | None
    files: tuple[Artifact, ...] = ()


@dataclass(frozen=True, slots=True)
class Approval:
    """A person's word that a version is final: whose, and what they said.

    ``waived`` are the requests that were not handed off then, and need not be any more.
    """

    at: str
    by: str | None = None
    note: str | None = None
    waived: tuple[Request, ...] = ()


@dataclass(frozen=True, slots=True)
class DustSpot:
    """A spot of dust in a frame: its centre in shares of the upright frame, its radius in percent
    of the long side, and how sure it is, 0 to 1."""

    at: tuple[float, float]
    radius: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Assessed:
    """What was measured of a frame, and what that suggests; nobody has decided anything yet.

    ``figures`` are plain JSON values by operators of ``version`` (``pipeline.figures.measure``; and
    ``beside``, see ``pipeline.suggest.Suggestion``); ``key`` is the digest of all that decides
    them. ``reasons`` are short sentences; ``suggested`` is the frame of its burst to be kept.
    """

    frame: str
    key: str
    version: int
    figures: Mapping[str, Any]
    reasons: tuple[str, ...]
    suggested: bool


@dataclass(frozen=True, slots=True)
class FrameState:
    """All that the manifest knows of a frame: what the plan decides from.

    ``setup`` is the group that ingest put it in by the gaps between capture times; where a setup's
    file lists the frame, that file decides. ``problem`` says why its last attempt failed.
    ``approval`` is who said so of ``approved_version``. ``trips`` is what happened between the job
    and the retoucher, oldest first. ``numbers`` are those that its files have had in the names of
    packed deliveries, by delivery.
    """

    name: str
    original: Original
    rating: int = 0
    setup: str | None = None
    burst: str | None = None
    approved_version: int | None = None
    problem: str | None = None
    versions: tuple[Version, ...] = ()
    delivered: Mapping[str, Delivered] = field(default_factory=dict)
    approval: Approval | None = None
    trips: tuple[Trip, ...] = ()
    numbers: Mapping[str, int] = field(default_factory=dict)

    @property
    def latest(self) -> Version | None:
        """The newest version, or None while nothing was written."""
        return self.versions[-1] if self.versions else None


@dataclass(frozen=True, slots=True)
class Event:
    """One change of the manifest, as it happened. ``frame`` is None for the job as a whole."""

    number: int
    at: str
    what: str
    frame: str | None
    detail: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a value was written: a file as shown to the user, and its line (0: a default)."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.line else self.file


@dataclass(frozen=True, slots=True)
class ResolvedStep:
    """A step of a frame's chain after recipe, setup and frame have been laid over each other.

    ``parameters`` is the validated model as plain JSON values; ``origins`` maps a parameter's
    dotted path inside it (``contrast``, ``bands[0].at``, or "" for the whole) to where it stands.
    ``files`` maps each file that the step reads to its digest. A local edit is one too: ``label``
    is the name of its entry, ``step`` the edit, and the parameters hold both, and the mask with
    every name in it looked up.
    """

    stage: Literal["look", "adjust", "hold", "local", "finish"]
    label: str
    step: str
    version: int
    parameters: Mapping[str, Any]
    origins: Mapping[str, Origin] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ResolvedChart:
    """The chart that a setup's frames are balanced by, as its file names it.

    ``inputs`` is all that decides what is read from it, as plain JSON values: the edition or the
    digest of measured ``values``, ``corners`` where they were placed by hand, and once the chart's
    ``frame`` is known, its original's digest. ``values`` is the path of the measured values.
    ``origins`` maps each of the inputs to where it was written.
    """

    setup: str
    frame: str
    inputs: Mapping[str, Any]
    values: str | None = None
    origins: Mapping[str, Origin] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MeasuredChart:
    """A chart that was found and read, and the correction that was fitted to it.

    ``key`` is the digest of ``inputs``; ``correction`` is ``kernels.correction.Correction`` and
    ``reading`` what was read where, both as plain JSON values. ``warnings`` are sentences.
    """

    setup: str
    frame: str
    key: str
    inputs: Mapping[str, Any]
    correction: Mapping[str, Any]
    reading: Mapping[str, Any]
    warnings: tuple[str, ...]
    made_at: str


@dataclass(frozen=True, slots=True)
class ResolvedProduct:
    """A product in one frame: the colour that it should have, and where it is.

    ``lab`` is under D50, 2 degree observer; ``tolerance`` in ΔE00; ``geometry`` that of the
    instrument. ``where`` is a mask as plain JSON values (``pipeline.masking.Mask``), every name in
    it looked up; ``files`` maps each file that it reads to its digest; ``origins`` maps each part
    of it, as inside ``mask``, to where it was written.
    """

    name: str
    lab: tuple[float, float, float]
    tolerance: float
    geometry: str | None
    where: Mapping[str, Any]
    files: Mapping[str, str] = field(default_factory=dict)
    origins: Mapping[str, Origin] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Evening:
    """How a frame's light is moved: exposure in stops, the assumed white in mired and Duv."""

    stops: float
    mired: float
    duv: float


@dataclass(frozen=True, slots=True)
class ResolvedEven:
    """The frames that one is evened with: the key of what is read of each, its own among them."""

    own: str
    group: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ReadProducts:
    """The L*a*b* (D50) of a frame's products, neutrally rendered, by their names."""

    frame: str
    key: str
    labs: Mapping[str, tuple[float, float, float]]
    made_at: str


@dataclass(frozen=True, slots=True)
class ResolvedRetouch:
    """What a frame's file asks of the retoucher, and until when (ISO 8601, a day).

    ``always`` says that the recipe sends every select, asked or not; ``space`` is that of the files
    sent. ``origins`` maps the place of each request, such as ``ask[0]``, to where it was written.
    """

    requests: tuple[Request, ...] = ()
    due: str | None = None
    always: bool = False
    space: str = "romm-rgb"
    origins: Mapping[str, Origin] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ResolvedFrame:
    """A frame's whole recipe: what will be done to it, in order.

    ``chart`` is the one that its balance comes from, None where the balance comes from elsewhere.
    ``products`` are those whose place in the frame is known. ``even`` says what the frame's light
    is evened with, None where it is left as it is. ``retouch`` is what is asked of the retoucher.
    ``follows`` maps the frames from which masks are carried to what decides of that: the digests of
    their originals, and the version of the carrying.
    """

    frame: str
    recipe: str
    setup: str | None
    steps: tuple[ResolvedStep, ...]
    chart: ResolvedChart | None = None
    products: tuple[ResolvedProduct, ...] = ()
    even: ResolvedEven | None = None
    retouch: ResolvedRetouch = field(default_factory=ResolvedRetouch)
    follows: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ResolvedDelivery:
    """A delivery as the job asks for it.

    ``settings`` are its validated settings and ``metadata`` what all of its files carry, both as
    plain JSON values. ``files`` maps each frame that belongs to it to what is that file's own:
    ``path`` in the job, and any metadata of the frame. ``origins`` works as in ``ResolvedStep``,
    with ``metadata.`` before the paths inside ``metadata`` and ``file.`` before those of ``files``.
    ``numbers`` are what ``{seq}`` stands for, by frame.
    """

    name: str
    settings: Mapping[str, Any]
    metadata: Mapping[str, Any]
    files: Mapping[str, Mapping[str, Any]]
    origins: Mapping[str, Origin] = field(default_factory=dict)
    numbers: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Action:
    """One decision of the plan. ``reason`` is in words; ``key`` names the result.

    ``version`` is the one that the result gets (``develop``), carries (``deliver``) or that waits
    for approval (``wait``); else the one that the frame stands at, None while there is none.
    """

    frame: str
    action: ActionKind
    reason: str
    key: str
    version: int | None = None
    delivery: str | None = None
