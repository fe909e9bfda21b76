"""What a person writes, as models: job.yaml, recipes, setups, frames; and their JSON Schemas.

Only the form of single files is checked here. How files lie over each other is for ``recipe`` and
``job``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import asdict, replace
from datetime import date
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
    WrapValidator,
    create_model,
    model_validator,
)

from pipeline import captions, naming, wording
from pipeline.clocks import seconds_of
from pipeline.conditions import RATING, Condition, NotUnderstood
from pipeline.edits import EDITS
from pipeline.framing import parsed_aspect
from pipeline.masking import Lab, Mask
from pipeline.selection import FramePattern
from pipeline.step import Step
from pipeline.steps import STEPS
from pipeline.viewing import USUAL, Viewing

SIZES = ("long_edge", "short_edge", "width", "height", "megapixels", "print", "scale")
"""Of which a delivery has one, or width and height together."""
LOSSY = {"jpeg": 90, "webp": 90, "avif": 85, "jxl": 90}
"""The quality of each format that loses something, where nothing is said."""
WHICH_FRAMES = ("approved", "selects")
MEDIA = (*USUAL, "none")
LEAST_PART = 0.05
"""Of a frame's width or height that a crop leaves."""
SPACE_NAMES = ("srgb", "display-p3", "adobe-rgb", "romm-rgb")

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"
NAME = "at most 64 letters, digits, _ and -, the first a letter or a digit"
Name = Annotated[str, Field(pattern=NAME_PATTERN, description=NAME)]
StepEntries = tuple[dict[str, Any], ...]


class Written(BaseModel):
    """Base of what a person writes: frozen, strict, no unknown keys.

    A key with nothing behind it counts as not written, so that the items under ``adjust:`` can be
    commented out.
    """

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _without_empty_keys(cls, value: Any) -> Any:
        if isinstance(value, dict):
            return {key: item for key, item in value.items() if item is not None}
        return value


def delivery_default(value: Any) -> Any:
    """``web`` and ``web: {...}`` alike as a mapping from the name to settings."""
    if isinstance(value, str):
        return {value: {}}
    if isinstance(value, dict) and len(value) == 1:
        return {name: {} if settings is None else settings for name, settings in value.items()}
    raise wording.refusal(wording.shown(value), "the name of a delivery, or NAME: {settings}")


class _NamedEdit(Written):
    """Edits through a mask. A later file's entry of the same name overrides it, key by key."""

    name: Name = Field(description=f"{NAME}; by it setups and frames override the edit")
    mask: Mask | None = Field(
        None, description="where; for match alone: by default where the product is"
    )


if TYPE_CHECKING:
    LocalEdit = _NamedEdit
else:
    LocalEdit = create_model(
        "LocalEdit",
        __base__=_NamedEdit,
        __doc__=_NamedEdit.__doc__,
        **{
            edit.name: (edit.value | None, Field(None, description=edit.about))
            for edit in EDITS.values()
        },
    )
LocalEdits = tuple[LocalEdit, ...]
Masks = dict[Name, Mask]


class SendOut(Written):
    """Which frames go to the retoucher, and as what."""

    when: Literal["asked", "always"] = Field(
        "asked", description="asked: frames whose file asks for something; always: every select"
    )
    space: Literal["romm-rgb", "adobe-rgb", "display-p3", "srgb"] = Field(
        "romm-rgb", description="colour space of the TIFFs"
    )
    bits: Literal[16] = Field(16, description="bits of each channel")


class RecipeFile(Written):
    """A recipe: the steps that make a look, in the order in which they are done."""

    recipe: Name = Field(description=f"its name, that of the file without .yaml: {NAME}")
    about: str = Field("", description="what the look is for, in a sentence")
    look: StepEntries = Field((), description="the house look, on every frame")
    adjust: StepEntries = Field((), description="corrections that setups and frames override")
    masks: Masks = Field({}, description="masks by a name, for {named: NAME}")
    local: LocalEdits = Field((), description="edits through masks; setups and frames add theirs")
    hold: Annotated[tuple[Name, ...], Field(max_length=16)] = Field(
        (), description="products whose colours the look must not move"
    )
    retouch: SendOut = Field(SendOut(), description="what goes out to be retouched")
    finish: StepEntries = Field((), description="what is done last, after retouching")
    even: bool = Field(
        False,
        description="whether frames whose product stands out from their setup's are moved to it",
    )
    deliver: tuple[
        Annotated[dict[Name, dict[str, Any]], BeforeValidator(delivery_default)], ...
    ] = Field((), description="names of deliveries, each with settings that job.yaml may override")


def _plain_text(text: str) -> str:
    text = text.strip()
    if any((ord(char) < 32 and char != "\n") or 127 <= ord(char) < 160 for char in text):
        raise wording.refusal("text with control characters", "text")
    if not text or len(text.encode()) > 2000:
        raise wording.refusal(f"a text of {len(text.encode())} bytes", "1 to 2000 bytes")
    return text


def _one_line(text: str) -> str:
    if "\n" in _plain_text(text):
        raise wording.refusal("text of several lines", "one line")
    return text.strip()


def _frame_name(text: str) -> str:
    if not text.isprintable() or not text.strip() or re.search(r"[/\\]", text) or len(text) > 255:
        raise wording.refusal(
            wording.shown(text), "the name of a frame: its file's, without ending"
        )
    return text


def _frame_pattern(text: str) -> str:
    try:
        FramePattern.parse(_frame_name(text))
    except ValueError as error:
        allowed = 'a name, a range such as "QL00[02-19]", or a pattern with * and ?'
        raise wording.refusal(str(error), allowed) from None
    return text


def _selects(text: str) -> str:
    try:
        Condition.parse(text, {"rating": RATING})
    except NotUnderstood as error:
        found = f"column {error.column}: {error.found}"
        raise wording.refusal(found, error.allowed) from None
    return text


def _name_template(text: str) -> str:
    try:
        naming.Template.parse(text)
    except ValueError as error:
        raise wording.refusal(str(error), naming.ALLOWED) from None
    return text


def _web_address(text: str) -> str:
    if not re.fullmatch(r"https?://[^\s/]+(/\S*)?", text):
        raise wording.refusal(wording.shown(text), "an address that starts with https://")
    return text


def _text_template(text: str) -> str:
    try:
        return captions.check_template(_plain_text(text))
    except ValueError as error:
        allowed = f"text, and the fields {{{'}, {'.join(naming.FIELDS)}}}"
        raise wording.refusal(str(error), allowed) from None


def _country_code(text: str) -> str:
    if not re.fullmatch(r"[A-Z]{2,3}", text):
        allowed = "two or three capital letters of ISO 3166-1, such as NOR"
        raise wording.refusal(wording.shown(text), allowed)
    return text


def _email(text: str) -> str:
    if not re.fullmatch(r"[^@\s]+@[^@\s]+", text):
        raise wording.refusal(wording.shown(text), "an address such as name@studio.example")
    return text


def _one_of(words: Collection[str]) -> Callable[[str], str]:
    def check(text: str) -> str:
        if text not in words:
            found = f"{wording.shown(text)}{wording.or_did_you_mean(text, words)}"
            raise wording.refusal(found, wording.listed(words))
        return text

    return check


def _one_or_several(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _which_frames(value: Any) -> Any:
    """``approved``, ``selects`` or a list of frames, all as a tuple."""
    if isinstance(value, str):
        if value not in ("approved", "selects"):
            found = f"{wording.shown(value)}{wording.or_did_you_mean(value, WHICH_FRAMES)}"
            raise wording.refusal(found, "approved, selects, or a list of frames")
        return (value,)
    return value


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise wording.refusal(wording.shown(text), "a day such as 2026-05-20") from None


Day = Annotated[str, AfterValidator(_day)]
Text = Annotated[str, AfterValidator(_plain_text)]
Line = Annotated[str, AfterValidator(_one_line)]
FrameName = Annotated[str, AfterValidator(_frame_name)]
_STRINGS = {"type": "array", "items": {"type": "string"}}
Patterns = Annotated[
    tuple[Annotated[str, AfterValidator(_frame_pattern)], ...],
    BeforeValidator(_one_or_several),
    WithJsonSchema({"anyOf": [{"type": "string"}, _STRINGS]}),
]
Keywords = Annotated[tuple[Line, ...], Field(max_length=200)]
Templated = Annotated[str, AfterValidator(_text_template)]
WebAddress = Annotated[Line, AfterValidator(_web_address)]
Email = Annotated[Line, AfterValidator(_email)]
CountryCode = Annotated[str, AfterValidator(_country_code)]
DataMining = Annotated[
    str,
    AfterValidator(_one_of(captions.DATA_MINING)),
    WithJsonSchema({"enum": list(captions.DATA_MINING)}),
]
ReleaseStatus = Annotated[
    str,
    AfterValidator(_one_of(captions.MODEL_RELEASES)),
    WithJsonSchema({"enum": list(captions.MODEL_RELEASES)}),
]
SourceType = Annotated[
    str,
    AfterValidator(_one_of(captions.SOURCE_TYPES)),
    WithJsonSchema({"enum": list(captions.SOURCE_TYPES)}),
]


class Contact(Written):
    """How to reach the creator."""

    address: Text | None = Field(None, description="street and number")
    city: Line | None = None
    region: Line | None = Field(None, description="state or province")
    postal_code: Line | None = None
    country: Line | None = None
    email: Email | None = None
    phone: Line | None = None
    web: WebAddress | None = None


class Licensor(Written):
    """Who sells a licence."""

    name: Line | None = None
    url: WebAddress | None = Field(None, description="the page where a licence is to be had")
    id: Line | None = Field(None, description="in a registry of PLUS")
    email: Email | None = None


class Supplier(Written):
    """Who supplied the picture most recently, not always its maker."""

    name: Line | None = None
    id: Line | None = None


class Credit(Written):
    """Who made the pictures and what may be done with them (IPTC Photo Metadata)."""

    creator: Line | None = Field(None, description="the photographer's name")
    credit_line: Line | None = Field(None, description="the credit to print beside the picture")
    copyright: Line | None = Field(None, description="the copyright notice")
    usage_terms: Text | None = Field(None, description="how the pictures may be used")
    web_statement: WebAddress | None = Field(
        None, description="the web page that states the rights"
    )
    contact: Contact | None = Field(None, description="how to reach the creator")
    licensor: Licensor | None = Field(None, description="who sells a licence")
    data_mining: DataMining | None = Field(
        None, description="whether machines may learn from the pictures (PLUS)"
    )
    other_constraints: Text | None = Field(None, description="what else limits their use")
    supplier: Supplier | None = Field(None, description="who supplies the pictures")
    source: Line | None = Field(None, description="from whom the pictures come originally")

    @model_validator(mode="after")
    def _constraints_are_there(self) -> Credit:
        if self.data_mining == "prohibited-see-constraints" and not self.other_constraints:
            raise ValueError("data_mining: prohibited-see-constraints goes with other_constraints")
        return self


class Caption(Written):
    """What one picture or several say of themselves, besides description and keywords.

    Texts may hold the fields of file names, such as {frame}.
    """

    headline: Annotated[Templated, AfterValidator(_one_line)] | None = Field(
        None, description="what is to be seen, in a few words"
    )
    title: Annotated[Templated, AfterValidator(_one_line)] | None = Field(
        None, description="a short name or number of the picture"
    )
    alt_text: Templated | None = Field(
        None, description="what it shows, for those who do not see it; best below 250 characters"
    )
    extended_description: Templated | None = Field(
        None, description="the same at length, where alt_text is not enough"
    )
    job_id: Annotated[Templated, AfterValidator(_one_line)] | None = Field(
        None, description="the number or name of the commission"
    )
    instructions: Templated | None = Field(None, description="to those who use the picture")
    source_type: SourceType | None = Field(
        None,
        description="how it came about (IPTC Digital Source Type); by itself digitalCapture, and"
        " humanEdits where it was retouched",
    )


class Location(Written):
    """The place that is shown."""

    place: Line | None = Field(None, description="the spot or the part of the city")
    city: Line | None = None
    region: Line | None = Field(None, description="state or province")
    country: Line | None = None
    country_code: CountryCode | None = Field(
        None, description="ISO 3166-1; IIM holds the three-letter ones"
    )


class Releases(Written):
    """Whether people or property are to be seen, and what they agreed to (PLUS)."""

    people: bool | None = Field(None, description="whether people can be recognised")
    property: bool | None = Field(None, description="whether property can that needs a release")
    model_release: ReleaseStatus | None = None
    model_release_ids: Annotated[tuple[Line, ...], Field(max_length=99)] | None = None
    property_release: ReleaseStatus | None = None
    property_release_ids: Annotated[tuple[Line, ...], Field(max_length=99)] | None = None


class Seen(Written):
    """How a medium is seen."""

    ppi: int | None = Field(
        None, ge=20, le=2400, description="pixels an inch; default: screen 96, paper 300"
    )
    distance_mm: float | None = Field(
        None, ge=100, le=100_000, description="from the eye; default: screen 711, paper 400"
    )


class SharpenFor(Written):
    """The one medium that files are seen on."""

    screen: Seen | None = None
    matte: Seen | None = Field(None, description="prints on matte paper")
    gloss: Seen | None = Field(None, description="prints on glossy paper")

    @model_validator(mode="after")
    def _one_medium(self) -> SharpenFor:
        if len(self.model_fields_set) != 1:
            raise ValueError(f"give exactly one of {wording.listed(USUAL)}")
        return self

    @property
    def viewing(self) -> Viewing:
        """With all that is not written as it usually is."""
        [usual] = (USUAL[medium] for medium in USUAL if medium in self.model_fields_set)
        return replace(usual, **getattr(self, usual.medium).model_dump(exclude_none=True))


def _medium_by_name(value: Any) -> Any:
    """A medium's name stands for it as it is usually seen, ``none`` for no medium."""
    if isinstance(value, dict):
        return value
    if value not in MEDIA:
        close = wording.or_did_you_mean(value, MEDIA) if isinstance(value, str) else ""
        allowed = f"{wording.listed(MEDIA)}, or a medium with its ppi and distance_mm"
        raise wording.refusal(f"{wording.shown(value)}{close}", allowed)
    return None if value == "none" else {value: {}}


class OnPaper(Written):
    """A size in print. With both edges, files are cut to just that, turned as each picture is."""

    width_mm: float | None = Field(None, ge=5, le=20_000)
    height_mm: float | None = Field(None, ge=5, le=20_000)
    ppi: int = Field(300, ge=20, le=2400, description="pixels an inch of the paper")

    @model_validator(mode="after")
    def _has_an_edge(self) -> OnPaper:
        if self.width_mm is None and self.height_mm is None:
            raise ValueError("give width_mm, height_mm or both")
        return self


class Margin(Written):
    """A border of one colour around the picture, inside the file's size."""

    share: float = Field(ge=0.001, le=0.25, description="of the file's long edge, on each side")
    colour: Literal["white", "black"] = "white"


def _shape(text: str) -> str:
    try:
        parsed_aspect(text)
    except ValueError:
        allowed = "width to height such as 4:5 or 1.91:1, at most 20:1"
        raise wording.refusal(wording.shown(text), allowed) from None
    return text


class OutputSpace(Written):
    """The space of a printer or a screen, as an ICC profile describes it."""

    profile: Line = Field(
        description="path in the job of an ICC profile of the class output or display, RGB or CMYK"
    )
    intent: Literal[
        "relative-colorimetric", "perceptual", "saturation", "absolute-colorimetric"
    ] = Field("relative-colorimetric", description="what happens to colours that it cannot hold")
    black_point_compensation: bool | None = Field(
        None,
        description="whether the range of darks is fitted to its black; default true, but for"
        " absolute-colorimetric, which leaves darks as they are. Perceptual and saturation tables"
        " of version 4 are made for it and always have it",
    )

    @model_validator(mode="after")
    def _belongs_together(self) -> OutputSpace:
        if self.intent == "absolute-colorimetric" and self.black_point_compensation:
            raise ValueError("absolute-colorimetric goes without black_point_compensation")
        return self

    @property
    def settings(self) -> dict[str, Any]:
        """With every default filled in."""
        compensated = self.black_point_compensation
        if compensated is None:
            compensated = self.intent != "absolute-colorimetric"
        return {
            "profile": self.profile,
            "intent": self.intent,
            "black_point_compensation": compensated,
        }


def _space_by_name(value: Any, validate: Callable[[Any], OutputSpace]) -> str | OutputSpace:
    """One of our spaces by its name, or what an ICC profile describes."""
    if isinstance(value, Mapping):
        return validate(value)
    if isinstance(value, str) and value in SPACE_NAMES:
        return value
    close = wording.or_did_you_mean(value, SPACE_NAMES) if isinstance(value, str) else ""
    allowed = f"{wording.listed(SPACE_NAMES)}, or {{profile: FILE}} of an ICC profile in the job"
    raise wording.refusal(f"{wording.shown(value)}{close}", allowed)


if TYPE_CHECKING:
    AnySpace = str | OutputSpace
else:
    AnySpace = Annotated[OutputSpace, WrapValidator(_space_by_name)]


class Delivery(Written):
    """A named set of output files for one use."""

    format: Literal["jpeg", "tiff", "png", "webp", "avif", "jxl"]
    bits: Literal[8, 16] | None = Field(None, description="default: tiff 16, all others 8")
    long_edge: int | None = Field(None, ge=16, le=65_000, description="pixels of the longer side")
    short_edge: int | None = Field(None, ge=16, le=65_000, description="pixels of the shorter side")
    width: int | None = Field(None, ge=16, le=65_000, description="pixels across, at most")
    height: int | None = Field(None, ge=16, le=65_000, description="pixels down, at most")
    megapixels: float | None = Field(None, ge=0.01, le=400, description="millions of pixels")
    print: OnPaper | None = Field(None, description="a size on paper")
    scale: float | None = Field(None, ge=0.01, le=4, description="share of the master's size")
    enlarge: bool = Field(False, description="whether a smaller picture is blown up")
    crop: Annotated[str, AfterValidator(_shape)] | None = Field(
        None, description="the shape to which pictures are cut, width to height, such as 4:5"
    )
    border: Margin | None = Field(None, description="around the picture; default none")
    space: AnySpace = "srgb"
    sharpen_for: Annotated[SharpenFor | None, BeforeValidator(_medium_by_name)] = Field(
        None, description="the medium that its files are seen on; default none"
    )
    quality: int | None = Field(
        None, ge=1, le=100, description="of jpeg, webp, avif, jxl; default 90, of avif 85"
    )
    max_bytes: int | None = Field(
        None, ge=2_000, le=4_000_000_000, description="in place of quality: the best that fits"
    )
    progressive: bool = Field(False, description="whether a jpeg comes in finer and finer scans")
    name: Annotated[str, AfterValidator(_name_template)] = Field(
        "{frame}", description="template of the files' names, without ending"
    )
    frames: Annotated[
        tuple[Annotated[str, AfterValidator(_frame_pattern)], ...],
        BeforeValidator(_which_frames),
        Field(min_length=1),
        WithJsonSchema({"anyOf": [{"enum": list(WHICH_FRAMES)}, _STRINGS]}),
    ] = Field(("selects",), description="approved, selects, or a list of frames")
    description: Templated | None = Field(None, description="in place of the job's, in these files")
    metadata: Literal["full", "rights-only", "none"] = Field(
        "full",
        description="rights-only: creator, credit, copyright, terms, licensor, data mining alone",
    )
    privacy: Literal["strict", "serial-numbers"] = Field(
        "strict",
        description="strict: nothing that tells one camera from another of its kind;"
        " serial-numbers: the camera's number and its lens too. Positions and owners never",
    )

    @model_validator(mode="after")
    def _belongs_together(self) -> Delivery:
        given = {size for size in SIZES if getattr(self, size) is not None}
        if len(given) > 1 and given != {"width", "height"}:
            allowed = f"one size of {wording.listed(SIZES)}, or width and height"
            raise ValueError(f"{wording.listed(sorted(given))} together; {allowed}")
        if self.bits == 16 and self.format not in ("tiff", "png"):
            raise ValueError(f"16 bits go with tiff and png; a {self.format} has 8")
        for key in ("quality", "max_bytes"):
            if getattr(self, key) is not None and self.format not in LOSSY:
                raise ValueError(f"{key} is for {wording.listed(LOSSY)}")
        if self.quality is not None and self.max_bytes is not None:
            raise ValueError("quality and max_bytes: one of them")
        if self.format == "jxl" and self.space != "srgb":
            raise ValueError("a jxl is written in srgb alone")
        if self.progressive and self.format != "jpeg":
            raise ValueError("progressive is for jpeg")
        if (self.scale or 0) > 1 and not self.enlarge:
            raise ValueError("a scale above 1 goes with enlarge: true")
        if self.privacy != "strict" and self.metadata != "full":
            raise ValueError(f"privacy: {self.privacy} goes with metadata: full")
        return self

    @property
    def cuts(self) -> bool:
        """Whether its pictures are cut to a shape."""
        paper = self.print
        both = paper is not None and paper.width_mm is not None and paper.height_mm is not None
        return self.crop is not None or both

    @property
    def for_screens(self) -> bool:
        """Whether its files are seen on web pages and the like, where an alt text is read aloud."""
        seen = self.sharpen_for
        return self.format != "tiff" and seen is not None and seen.screen is not None

    @property
    def settings(self) -> dict[str, Any]:
        """All that decides its files besides their texts, every default of the pixels filled in."""
        settings = self.model_dump(
            mode="json",
            exclude={"name", "frames", "description", "sharpen_for", "space"},
            exclude_none=True,
        )
        for key, default in (("metadata", "full"), ("privacy", "strict"), ("progressive", False)):
            if settings[key] == default:  # said where it is not, so that older keys stay
                del settings[key]
        space = self.space
        settings["space"] = space.settings if isinstance(space, OutputSpace) else space
        settings["sharpen_for"] = asdict(self.sharpen_for.viewing) if self.sharpen_for else "none"
        settings.setdefault("bits", 16 if self.format == "tiff" else 8)
        if self.format in LOSSY and self.max_bytes is None:
            settings.setdefault("quality", LOSSY[self.format])
        if not any(size in settings for size in SIZES):
            settings["scale"] = 1.0
        return settings


class Tolerance(Written):
    """How far the chart's patches may be from their colour, neutrally rendered, in ΔE00."""

    mean: float | None = Field(None, gt=0, le=50, description="of the mean over the patches")
    p90: float | None = Field(None, gt=0, le=50, description="of the 90th percentile")
    max: float | None = Field(None, gt=0, le=50, description="of the worst patch")


class Product(Written):
    """The colour that a product has, as it was measured on the product."""

    lab: Lab | None = Field(None, description="L*, a*, b* under D50, 2 degree observer")
    reflectance: Line | None = Field(
        None, description="a file with its measured reflectance, CGATS or CSV"
    )
    tolerance: float = Field(2.0, ge=0.1, le=20, description="ΔE00 that counts as its colour")
    geometry: Line | None = Field(
        None, description='of the instrument, such as "45:0" or "d:8", for the record'
    )

    @model_validator(mode="after")
    def _one_colour(self) -> Product:
        if (self.lab is None) == (self.reflectance is None):
            raise ValueError("give exactly one of lab, reflectance")
        return self


class ProductPlace(Written):
    """Where a product is in a setup's frames, or in one frame."""

    where: Mask | None = Field(None, description="a mask that covers it; by place, not by colour")
    absent: Literal[True] | None = Field(None, description="true: it is not in the picture")

    @model_validator(mode="after")
    def _one_answer(self) -> ProductPlace:
        if (self.where is None) == (self.absent is None):
            raise ValueError("give exactly one of where, absent")
        if self.where is not None and self.where.reads_scene:
            raise ValueError(
                "where is a place: tones, colour, focus depend on what the picture shows"
            )
        return self


Places = dict[Name, ProductPlace]


class Shot(Written):
    """A picture that the client asked for."""

    product: Line | None = Field(None, description="what it shows")
    use: Line | None = Field(None, description="what it is for")
    orientation: Literal["landscape", "portrait", "any"] = Field(
        "any", description="how it is to lie"
    )
    count: int = Field(1, ge=1, le=999, description="how many selects of it are owed")


def _offset(text: str) -> str:
    seconds_of(text)
    return text


def _one_a_body(clocks: dict[str, str]) -> dict[str, str]:
    if len({name.casefold() for name in clocks}) < len(clocks):
        raise ValueError("names that differ in more than case")
    return clocks


ClockOffset = Annotated[str, Field(max_length=16), AfterValidator(_offset)]


def _engine_by_name(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


def _absolute(path: str) -> str:
    if not PurePosixPath(path).is_absolute():
        raise wording.refusal(wording.shown(path), "a whole path, from / on")
    return path.rstrip("/") or "/"


FullPath = Annotated[Line, AfterValidator(_absolute)]


class EngineChoice(Written):
    """Where a job is worked on."""

    name: Literal["here", "prefect", "dask"] = Field(
        description="processes on this machine; the same, shown on a Prefect server's page; or the "
        "workers of a Dask cluster"
    )
    scheduler: Line | None = Field(
        None,
        description="where the Dask scheduler listens, tcp://HOST:PORT; default: workers on this "
        "machine",
    )
    paths: dict[FullPath, FullPath] = Field(
        {}, description="under which path the workers see what lies under a path here"
    )

    @model_validator(mode="after")
    def _for_clusters(self) -> EngineChoice:
        if self.name != "dask" and (self.scheduler or self.paths):
            raise ValueError("scheduler and paths are for the engine dask")
        return self


class JobFile(Written):
    """job.yaml: one commission."""

    job: Line = Field(description="the job's name")
    client: Line = Field(description="who it is for")
    recipe: Annotated[str, Field(max_length=500)] = Field(
        description="a house recipe's name, or the path of a recipe inside the job"
    )
    selects: Annotated[str, Field(max_length=200), AfterValidator(_selects)] = Field(
        "rating >= 4", description="which frames are finished"
    )
    originals: Line | None = Field(
        None, description="a folder whose originals are used where they are, without copies"
    )
    clocks: Annotated[dict[Line, ClockOffset], AfterValidator(_one_a_body)] = Field(
        {},
        description="what to add to what a body's clock noted, by its serial number or its name: "
        '"+00:03:12" where it was late',
    )
    credit: Credit = Credit()
    description: Templated | None = Field(None, description="what the pictures show")
    keywords: Keywords = Field((), description="words to find the pictures by")
    caption: Caption = Caption()
    location: Location = Location()
    releases: Releases = Releases()
    tolerance: Tolerance = Field(
        Tolerance(mean=2.0, p90=4.0),
        description="what `safelight colour` allows the charts (default: mean 2, p90 4)",
    )
    products: dict[Name, Product] = Field({}, description="product colours, by name")
    shots: dict[Name, Shot] = Field(
        {}, description="the shot list: what the client asked for, by name"
    )
    deliveries: dict[Name, dict[str, Any]] = Field({}, description="sets of output files, by name")
    engine: Annotated[
        EngineChoice,
        BeforeValidator(_engine_by_name),
        WithJsonSchema(
            {"anyOf": [{"enum": ["here", "prefect", "dask"]}, EngineChoice.model_json_schema()]}
        ),
    ] = Field(
        EngineChoice(name="here"),
        description="where the job is worked on: here (the default), prefect, dask, or a mapping",
    )


Share = Annotated[float, Field(ge=0, le=1)]
Place = Annotated[tuple[Share, Share], Field(strict=False)]


class Chart(Written):
    """The frame that shows a 24-patch chart in a setup's light."""

    frame: FrameName = Field(description="the frame that shows the chart")
    edition: Literal["before-2014", "after-2014", "average"] | None = Field(
        None,
        description="which published values count: of charts made before or after November 2014 "
        "(the default), or the average of 30 that were measured",
    )
    values: Line | None = Field(
        None, description="a file of this very chart's measured values, CGATS or CSV"
    )
    corners: Annotated[tuple[Place, Place, Place, Place], Field(strict=False)] | None = Field(
        None,
        description="the outer corners of the patches where the chart is not found by itself, as "
        "shares of width and height: of dark skin, bluish green, black, white",
    )

    @model_validator(mode="after")
    def _one_source(self) -> Chart:
        if self.edition and self.values:
            raise ValueError("edition or values, not both")
        return self


class Follow(Written):
    """A frame whose file's local edits are carried to others that show the same."""

    origin: FrameName = Field(alias="from", description="the frame whose masks are carried")


class FollowInSetup(Follow):
    """The same for the frames of a setup."""

    frames: Patterns = Field(
        (), description="names, ranges, globs, such as those of a burst; default: all of the setup"
    )


class SetupFile(Written):
    """setups/NAME.yaml: what frames shot under one light share."""

    setup: Name = Field(description=f"its name, that of the file without .yaml: {NAME}")
    frames: Patterns = Field(
        (), description="names, ranges, globs; without any: the group of that name made at ingest"
    )
    chart: Chart | None = Field(None, description="what `balance: {from: chart}` is measured on")
    adjust: StepEntries = Field((), description="steps that override the recipe's, key by key")
    masks: Masks = Field({}, description="masks by a name, in place of the recipe's")
    local: LocalEdits = Field((), description="edits through masks, by name over the recipe's")
    products: Places = Field({}, description="where the job's products are in these frames")
    follow: FollowInSetup | None = Field(
        None, description="the frame whose local edits its other frames get, masks carried along"
    )
    description: Templated | None = Field(
        None, description="in place of the job's and the delivery's"
    )
    keywords: Keywords | None = Field(None, description="in place of the job's")
    caption: Caption = Field(Caption(), description="over the job's, key by key")
    location: Location = Field(Location(), description="over the job's, key by key")
    releases: Releases = Field(Releases(), description="over the job's, key by key")
    credit: Credit = Field(Credit(), description="over the job's, key by key")


class Ask(Written):
    """One thing that the retoucher is asked for."""

    what: Line = Field(description="in a sentence")
    where: Mask | None = Field(None, description="a mask that covers it")
    must: bool = Field(False, description="whether it counts as undone when nothing changed there")
    by: Line | None = Field(None, description="who asks for it")


class Retouch(Written):
    """What the retoucher is asked for, and until when."""

    ask: Annotated[tuple[Ask, ...], Field(max_length=99)] = Field(
        (), description="the requests, which are numbered in this order"
    )
    due: Day | None = Field(None, description="the day by which it should be back")


class Part(Written):
    """Where a picture is cut, as shares of the frame's width and height."""

    left: Share = 0.0
    top: Share = 0.0
    right: Share = 1.0
    bottom: Share = 1.0

    @model_validator(mode="after")
    def _leaves_something(self) -> Part:
        if min(self.right - self.left, self.bottom - self.top) < LEAST_PART:
            raise ValueError(
                f"right is to the right of left and bottom below top, by {LEAST_PART} at least"
            )
        return self


class FrameFile(Written):
    """frames/NAME.yaml: what is special about one frame."""

    frame: FrameName = Field(description="its name, that of the file without .yaml")
    adjust: StepEntries = Field((), description="steps that override the setup's and the recipe's")
    masks: Masks = Field({}, description="masks by a name, in place of the setup's, the recipe's")
    local: LocalEdits = Field((), description="edits through masks, by name over those below")
    products: Places = Field({}, description="where the job's products are in this frame")
    follow: Follow | None = Field(
        None, description="the frame whose local edits this one gets, masks carried along"
    )
    retouch: Retouch = Field(Retouch(), description="what the retoucher is asked for")
    shots: tuple[Name, ...] = Field((), description="those of the job's shots that it serves")
    crop: Part | None = Field(None, description="the part of the frame that deliveries show")
    focal: Place | None = Field(
        None, description="what crops are laid around: shares from the left and from the top"
    )
    description: Templated | None = Field(
        None, description="in place of the setup's, the delivery's and the job's"
    )
    keywords: Keywords | None = Field(None, description="in place of the setup's and the job's")
    caption: Caption = Field(Caption(), description="over the setup's and the job's, key by key")
    location: Location = Field(Location(), description="over the setup's and the job's, key by key")
    releases: Releases = Field(Releases(), description="over the setup's and the job's, key by key")
    credit: Credit = Field(Credit(), description="over the setup's and the job's, key by key")


Kind = Literal["job", "recipe", "setup", "frame"]
MODELS: Mapping[Kind, type[Written]] = {
    "job": JobFile,
    "recipe": RecipeFile,
    "setup": SetupFile,
    "frame": FrameFile,
}


def schema_of(kind: Kind, steps: Mapping[str, Step] = STEPS) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a kind of file, for editors to complete and check it.

    Neither an override nor a delivery needs all its keys, for the layers below may give them.
    """
    schema = MODELS[kind].model_json_schema()
    definitions = schema.setdefault("$defs", {})
    for name, part in schema["properties"].items():
        if name in ("look", "adjust", "finish"):
            definitions["StepEntry"] = _entry_schema(steps, definitions)
            part["items"] = {"$ref": "#/$defs/StepEntry"}
        elif name in ("deliver", "deliveries"):
            definitions["Delivery"] = _delivery_schema(definitions)
            by_name = part if name == "deliveries" else part["items"]
            by_name["patternProperties"] = {NAME_PATTERN: {"$ref": "#/$defs/Delivery"}}
            by_name["additionalProperties"] = False
            if name == "deliver":
                part["items"] = {"anyOf": [{"type": "string", "pattern": NAME_PATTERN}, by_name]}
    schema["properties"] = {
        name: part if name in schema["required"] else {"anyOf": [part, {"type": "null"}]}
        for name, part in schema["properties"].items()
    }
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _delivery_schema(definitions: dict[str, Any]) -> dict[str, Any]:
    schema = Delivery.model_json_schema()
    definitions.update(schema.pop("$defs", {}))
    del schema["required"]
    space = schema["properties"]["space"]
    space["anyOf"] = [{"enum": list(SPACE_NAMES)}, {"$ref": space.pop("$ref")}]
    schema["properties"]["sharpen_for"]["anyOf"].insert(0, {"enum": list(MEDIA)})
    return schema


def _entry_schema(steps: Mapping[str, Step], definitions: dict[str, Any]) -> dict[str, Any]:
    """One step and its parameters, or the list of a step that has nothing but a list."""
    entries = []
    for step in steps.values():
        schema = step.parameters.model_json_schema(ref_template=f"#/$defs/{step.name}.{{model}}")
        for name, definition in schema.pop("$defs", {}).items():
            definitions[f"{step.name}.{name}"] = definition
        schema.pop("required", None)
        schema["description"] = step.about
        ways = [schema, {"type": "null"}]
        first, *others = schema["properties"].values()
        if not others and first.get("type") == "array":
            ways.insert(0, first)
        name = {"type": "string", "pattern": NAME_PATTERN}
        entries.append(
            {
                "type": "object",
                "properties": {step.name: {"anyOf": ways}, "name": name},
                "required": [step.name],
                "additionalProperties": False,
            }
        )
    return {"anyOf": entries}
