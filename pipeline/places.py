"""What masks select of one frame, in a worker, laid over the frame at any size."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.errors import SafelightError
from pipeline.masking import Mask, Sight, density_of
from pipeline.rounds import Development

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.frame import Float32


def places(
    development: Development,
    masks: Sequence[Mask],
    files: Mapping[str, str],
    size: tuple[int, int],
) -> Iterator[Float32]:
    """The density of each mask, one after the other: ``size`` is (height, width), upright.

    ``files`` are those that the masks read, with their digests. The frame's original is opened only
    where a mask depends on what the picture shows. Raises ``SafelightError``.
    """
    from pipeline.files.painted import read_painted
    from pipeline.kernels.masks import Grid

    try:
        painted = {
            path: read_painted(development.files[path], digest) for path, digest in files.items()
        }
        seen = [mask for mask in masks if mask.reads_scene]
        in_scene = _in_scene(development, seen, size, painted) if seen else iter(())
        grid = Grid.over(*size)
        for mask in masks:
            if mask.reads_scene:
                yield next(in_scene)
            else:
                yield density_of(mask, grid, Sight(painted)).at(grid.box)
    except ValueError as error:
        raise SafelightError(str(error)) from error


def _in_scene(
    development: Development,
    masks: Sequence[Mask],
    size: tuple[int, int],
    painted: Mapping[str, NDArray[Any]],
) -> Iterator[Float32]:
    """Masks that depend on what the picture shows: that is the original, as it is developed."""
    from pipeline.chain import densities
    from pipeline.files.painted import read_painted
    from pipeline.files.raw import open_original
    from pipeline.kernels.correction import Correction
    from pipeline.work import opener

    source = open_original(development.original, development.original_digest)
    fitted = development.correction
    local = [step for step in development.steps if step.stage == "local"]
    files = {path: digest for step in local for path, digest in step.files.items()}
    return densities(
        masks,
        size,
        development.steps,
        source,
        development.files,
        Correction.from_json(fitted) if fitted else None,
        {
            **painted,
            **{path: read_painted(development.files[path], files[path]) for path in files},
        },
        even=development.even,
        others=opener(development.others),
    )
