"""Packs a delivery: a bag under ``packed/`` with its files, a proof sheet, a page, what changed.

The bag appears whole under its name or not at all, and stays; then, and only then, it gets its row.
"""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, BinaryIO

from pipeline import __version__
from pipeline.errors import CannotWrite, NotAsRecorded, SafelightError
from pipeline.hashing import CHUNK_BYTES
from pipeline.manifest import Manifest
from pipeline.manifest.store import utc_now
from pipeline.moments import day_of
from pipeline.parcel import (
    FOLDER,
    Change,
    Parcel,
    changes,
    changes_as_json,
    changes_as_text,
    size_in_words,
)
from pipeline.plan import approved_of
from pipeline.records import Delivered, PackedBag, PackedFile, bag_name
from pipeline.survey import Survey, survey

if TYPE_CHECKING:
    from pipeline.files.bag import NewBag

THUMBNAIL_PX = 480

Count = Callable[[int, int], None]


@dataclass(slots=True)
class Bagged:
    """What packing did: the bag, ``made`` now or before; ``left_out`` are frames and why."""

    bag: PackedBag
    made: bool
    since: str | None = None
    zip: str | None = None
    changes: list[Change] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)

    @property
    def folder(self) -> str:
        """Where the bag lies in the job."""
        return f"{FOLDER}/{self.bag.name}"


def bag_delivery(
    folder: Path,
    name: str,
    *,
    zipped: bool = False,
    count: Count = lambda _done, _of: None,
    wait_s: float = 0.0,
) -> Bagged:
    """Pack what is delivered of a delivery; nothing is made where nothing changed since.

    Raises ``InvalidInput`` for a name that job.yaml does not define, ``SafelightError`` where
    nothing is there to pack, ``NotAsRecorded`` where a delivered file is not what was recorded;
    nothing is left behind then.
    """
    with Manifest.open(folder, write=True, wait_s=wait_s) as manifest:
        _clear(folder, manifest)
        found = survey(folder, manifest, deliveries=[name])
        chosen, left_out = _contents(found, name)
        last = next((bag for bag in reversed(manifest.bags()) if bag.delivery == name), None)
        if last and (folder / FOLDER / last.name).is_dir() and _holds(last, chosen):
            done = Bagged(last, made=False, left_out=left_out)
            done.changes = changes(last.files, last.files)
        else:
            packing = _Packing(folder, manifest, found, name, last, left_out)
            done = packing.packed(chosen, count)
        if zipped:
            done.zip = _zipped(folder, done)
        return done


def _clear(folder: Path, manifest: Manifest) -> None:
    """Remove what killed runs left of bags that never came to be."""
    from pipeline.files.landing import remove_folder, sweep_folders

    sweep_folders(folder / FOLDER, folder)
    for name in manifest.unpacked_bags():
        remove_folder(folder / FOLDER / name, folder)


def _contents(found: Survey, name: str) -> tuple[list[Delivered], dict[str, str]]:
    """The delivered files that are what is asked for now, and the other frames with the reason.

    A frame that is out with a retoucher, or has to go, is held back unless a person approved it.
    """
    [order] = found.demand.deliveries
    known = {frame: state for frame, state in found.states.items() if name in state.delivered}
    left_out: dict[str, str] = {}
    gone = []
    for action in found.actions:
        state = found.states[action.frame]
        file = state.delivered.get(name)
        if action.delivery == name:
            left_out[action.frame] = action.reason
            if file and action.action == "deliver" and action.key == file.key:
                gone.append(file.artifact.path)
        elif (
            action.action in ("wait", "stale")
            and action.delivery is None
            and approved_of(state) is None
            and (file or action.frame in order.files)
        ):
            left_out.setdefault(action.frame, action.reason)
    if gone:
        raise NotAsRecorded(
            f"{', '.join(gone)}: not there as recorded, so that nothing was packed; "
            f"safelight deliver {name} makes it again"
        )
    if not known:
        raise SafelightError(
            f"{name}: nothing is delivered yet; safelight deliver {name} makes its files"
        )
    inside = [frame for frame in order.files if frame in known and frame not in left_out]
    if not inside:
        frames: dict[str, list[str]] = {}
        for frame, reason in left_out.items():
            frames.setdefault(reason, []).append(frame)
        reasons = "; ".join(f"{_few(those)}: {reason}" for reason, those in frames.items())
        again = any(a.action == "deliver" and a.frame in left_out for a in found.actions)
        how = f"; safelight deliver {name} makes what is asked for now" if again else ""
        raise SafelightError(f"{name}: nothing of it can be packed: {reasons}{how}")
    return [known[frame].delivered[name] for frame in inside], left_out


def _few(frames: Sequence[str]) -> str:
    return f"{frames[0]} and {len(frames) - 1} more" if len(frames) > 1 else frames[0]


def _name_of(file: Delivered) -> str:
    """A delivered file's name inside its delivery."""
    return PurePosixPath(file.artifact.path).relative_to(f"deliveries/{file.delivery}").as_posix()


def _holds(bag: PackedBag, chosen: Sequence[Delivered]) -> bool:
    """Whether a bag holds just these files."""
    return {(f.frame, f.file, f.version, f.digest) for f in bag.files} == {
        (f.frame, _name_of(f), f.version, f.artifact.digest) for f in chosen
    }


def _zipped(folder: Path, done: Bagged) -> str:
    """The ZIP file of a bag, made if it is not there yet."""
    from pipeline.files.bag import examine, zip_bag

    path = f"{done.folder}.zip"
    if not (folder / path).exists():
        if not done.made and (flaws := examine(folder / done.folder).flaws):
            raise NotAsRecorded(f"{done.folder}: {flaws[0]}, so that no ZIP file was made of it")
        zip_bag(folder / done.folder, folder / path, folder)
    return path


@dataclass(slots=True)
class _Packing:
    """One bag under the writer's lock."""

    folder: Path
    manifest: Manifest
    found: Survey
    name: str
    last: PackedBag | None
    left_out: dict[str, str]

    def packed(self, chosen: Sequence[Delivered], count: Count) -> Bagged:
        """Copy, describe, put in place, record."""
        from pipeline.files.bag import NewBag
        from pipeline.files.landing import land_folder, part_folder, remove_folder

        number = self.last.number + 1 if self.last else 1
        home = self.folder / FOLDER / bag_name(self.name, number)
        for place in (home, home.with_name(f"{home.name}.zip")):
            if place.exists() or place.is_symlink():
                raise CannotWrite(
                    f"{place}: no packing of this job made it, and it will not be touched; "
                    "move it away"
                )
        # from here on, what lies under this name is ours
        self.manifest.begin_bag(self.name, number)
        part = part_folder(home.parent, self.folder)
        try:
            new = NewBag(part, self.folder)
            for done, file in enumerate(chosen, 1):
                self._copy(new, file)
                count(done, len(chosen))
            files, pictures = self._seen(new, chosen)
            parcel = self._parcel(number, chosen, files)
            _describe(new, parcel, pictures)
            sha256 = new.seal(_info(parcel))
            land_folder(part, home)
        finally:
            remove_folder(part, self.folder)
        bag = PackedBag(self.name, number, parcel.at, sha256, parcel.files)
        found = parcel.changes
        changed = {each.frame: each.in_words for each in found if each.what != "unchanged"}
        [order] = self.found.demand.deliveries
        packed = {file.frame: order.numbers[file.frame] for file in chosen}
        self.manifest.record_bag(bag, changed, packed)
        since = self.last.name if self.last else None
        return Bagged(bag, made=True, since=since, changes=found, left_out=self.left_out)

    def _copy(self, new: NewBag, file: Delivered) -> None:
        """Copy a delivered file, and compare what was read with what was recorded."""
        path = file.artifact.path
        source = self.folder / path
        try:
            regular = stat.S_ISREG(source.lstat().st_mode)
            if not regular:
                raise NotAsRecorded(f"{path}: it is no file of its own; nothing was packed")
            with source.open("rb") as stream:
                copied = new.add(_name_of(file), lambda out: _pour(stream, out, path))
        except OSError as error:
            raise NotAsRecorded(
                f"{path}: it cannot be read ({error.strerror}); nothing was packed"
            ) from error
        if copied.digest != file.artifact.digest:
            raise NotAsRecorded(
                f"{path}: its content is not what was recorded; nothing was packed. Remove it, and "
                f"safelight deliver {self.name} makes it again"
            )

    def _seen(
        self, new: NewBag, chosen: Sequence[Delivered]
    ) -> tuple[tuple[PackedFile, ...], dict[str, bytes]]:
        """What was copied as the bag lists it, and a small picture of each frame."""
        from pipeline.engines.capacity import cores
        from pipeline.files.bag import PAYLOAD
        from pipeline.files.proofread import CannotMeasure, read_back

        def look(file: Delivered) -> tuple[PackedFile, bytes]:
            inside = f"{PAYLOAD}/{_name_of(file)}"
            try:
                proof = read_back(new.folder / inside)
                picture = proof.thumbnail(THUMBNAIL_PX)
            except CannotMeasure as error:
                raise CannotMeasure(f"{file.artifact.path}: {error}") from error
            packed = PackedFile(
                frame=file.frame,
                file=_name_of(file),
                version=file.version,
                width=proof.width,
                height=proof.height,
                size_bytes=file.artifact.size_bytes,
                sha256=new.sums[inside],
                digest=file.artifact.digest,
            )
            return packed, picture

        with ThreadPoolExecutor(cores()) as pool:
            seen = list(pool.map(look, chosen))
        return tuple(packed for packed, _ in seen), {p.frame: picture for p, picture in seen}

    def _parcel(
        self, number: int, chosen: Sequence[Delivered], files: tuple[PackedFile, ...]
    ) -> Parcel:
        job = self.found.job.file
        texts = {file.frame: _text(file) for file in chosen}
        return Parcel(
            job=job.job,
            client=job.client,
            sender=job.credit.creator or "",
            delivery=self.name,
            number=number,
            at=utc_now(),
            files=files,
            previous=self.last,
            texts={frame: text for frame, text in texts.items() if text},
            colours=self._colours([file.frame for file in files]),
        )

    def _colours(self, frames: Sequence[str]) -> dict[str, str]:
        """How far the products in frames are from their colours, in words."""
        from pipeline.colour import product_colours

        return {
            frame: "; ".join(
                f"{product.difference.name} ΔE00 {product.difference.de00:.1f}, "
                f"{product.tolerance:g} allowed"
                for product in products
            )
            for frame, products in product_colours(self.found, self.name, frames).items()
        }


def _pour(stream: BinaryIO, out: BinaryIO, path: str) -> None:
    while True:
        try:
            chunk = stream.read(CHUNK_BYTES)
        except OSError as error:
            raise NotAsRecorded(
                f"{path}: it cannot be read ({error.strerror}); nothing was packed"
            ) from error
        if not chunk:
            return
        out.write(chunk)


def _text(file: Delivered) -> str:
    """What a delivered file says that its picture shows."""
    said: Mapping[str, object] = {**file.inputs["metadata"], **file.inputs["file"]}
    texts = (said.get(key) for key in ("headline", "title", "description"))
    return next((text for text in texts if isinstance(text, str)), "")


def _describe(new: NewBag, parcel: Parcel, pictures: Mapping[str, bytes]) -> None:
    """The files that speak of the others."""
    from pipeline.client_page import page
    from pipeline.proof_sheet import as_pdf

    new.add("proof.pdf", as_pdf(parcel, pictures))
    new.add("index.html", page(parcel, pictures).encode())
    new.add("changes.txt", changes_as_text(parcel).encode())
    new.add("changes.json", changes_as_json(parcel).encode())


def _info(parcel: Parcel) -> list[tuple[str, str]]:
    """What ``bag-info.txt`` says: reserved labels of RFC 8493, section 2.2.2, then our own."""
    total = sum(file.size_bytes for file in parcel.files)

    def labels() -> Iterator[tuple[str, str]]:
        if parcel.sender:
            yield "Source-Organization", parcel.sender
        yield (
            "External-Description",
            f"{parcel.job}: delivery {parcel.delivery} for {parcel.client}, "
            f"{len(parcel.files)} pictures, with a proof sheet, a page and a list of what changed",
        )
        yield "External-Identifier", parcel.name
        yield "Bagging-Date", day_of(parcel.at)
        yield "Bag-Size", size_in_words(total)
        yield "Bag-Software-Agent", f"Safelight {__version__}"
        yield "Client", parcel.client
        yield "Job", parcel.job
        yield "Delivery", parcel.delivery
        if parcel.previous:
            yield "Bag-Before", parcel.previous.name
        for file in parcel.files:
            yield "Version", f"{file.frame} v{file.version} {file.file}"

    return list(labels())
