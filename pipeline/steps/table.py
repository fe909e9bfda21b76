"""A colour table from a file: .cube or CLF, read by OpenColorIO."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field

from pipeline.step import Context, Operation, Parameters, Step

if TYPE_CHECKING:
    from pipeline.frame import Float32


class Table(Parameters):
    """A file inside the job or the recipes, and the space that its colours are in."""

    file: str = Field(
        description="path of a .cube or .clf file in the job (in a house recipe: beside it)"
    )
    space: Literal["srgb", "display-p3", "adobe-rgb", "romm-rgb", "working"] = Field(
        "srgb", description="the space of the table's input and output; working: linear BT.2020"
    )
    amount: float = Field(1.0, ge=0, le=1, description="share of the table's effect")


def operations(parameters: Table, context: Context) -> Sequence[Operation]:
    """To the table's space, through the table, and back; nothing for an amount of 0.

    A file that holds one cube of colours is interpolated by ``kernels.table``; any other mix of
    curves, matrices and cubes is given to OpenColorIO as it is. Values beyond a cube's domain are
    held to its faces. Raises ``ValueError`` where the file cannot be read as a table.
    """
    if parameters.amount == 0:
        return []
    import numpy as np

    from pipeline.kernels import linear, table
    from pipeline.kernels.spaces import SPACES, between_matrix

    transfer = SPACES[parameters.space].transfer
    curve = tuple(np.float32(v) for v in (transfer.gamma, transfer.a, transfer.slope, transfer.cut))
    into = between_matrix("working", parameters.space).astype(np.float32)
    back = between_matrix(parameters.space, "working").astype(np.float32)
    look_up = _table(context.files[parameters.file])
    amount = np.float32(parameters.amount)

    def through(r: Float32, g: Float32, b: Float32) -> None:
        before = (r.copy(), g.copy(), b.copy()) if amount != 1 else None
        if parameters.space != "working":
            linear.matrix(r, g, b, into)
            for channel in (r, g, b):
                table.encode(channel, *curve)
        look_up(r, g, b)
        if parameters.space != "working":
            for channel in (r, g, b):
                table.decode(channel, *curve)
            linear.matrix(r, g, b, back)
        if before is not None:
            table.mix(r, g, b, *before, amount)

    return [Operation(through)]


def _table(path: Path) -> Callable[[Float32, Float32, Float32], None]:
    """The table of a file, as something that changes r, g, b in place."""
    import numpy as np
    import PyOpenColorIO as ocio  # noqa: N813

    from pipeline.kernels import table

    # the library remembers files by their name alone, and this one may have been edited
    ocio.ClearAllCaches()
    config = ocio.Config.CreateRaw()
    try:
        file = ocio.FileTransform(str(path), interpolation=ocio.INTERP_TETRAHEDRAL)
        processor = config.getProcessor(file)
    except ocio.Exception as error:
        raise ValueError(f"{path.name} cannot be read as a table: {error}") from None
    parts: list[Any] = list(processor.createGroupTransform())
    if len(parts) == 1 and isinstance(parts[0], ocio.Lut3DTransform):
        size = parts[0].getGridSize()
        lattice = np.zeros((size, size, size, 4), np.float32)
        lattice[..., :3] = parts[0].getData().reshape(size, size, size, 3)
        return lambda r, g, b: table.look_up(r, g, b, lattice)
    cpu = processor.getDefaultCPUProcessor()

    def by_library(r: Float32, g: Float32, b: Float32) -> None:
        packed = np.stack([r, g, b], axis=1)
        cpu.applyRGB(packed)
        r[:], g[:], b[:] = packed[:, 0], packed[:, 1], packed[:, 2]

    return by_library


STEP = Step(
    name="table",
    version=1,
    parameters=Table,
    space="working",
    # a table changes nothing when none of it is used
    neutral=Table(file="any.cube", amount=0),
    operations=operations,
    about="A colour table (.cube or CLF), tetrahedral.",
    reads=("file",),
)
