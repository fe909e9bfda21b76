"""One grey from three channels."""

from __future__ import annotations

from pipeline.kernels.elementary import kernel


@kernel
def mix_to_grey(r, g, b, red, green, blue, amount):
    """Mix float32 working vectors r, g, b towards ``red r + green g + blue b``, in place.

    The weights sum to 1, so greys keep their value; ``amount`` 0 to 1 is the share of the grey.
    """
    for i in range(r.size):
        grey = red * r[i] + green * g[i] + blue * b[i]
        r[i] += amount * (grey - r[i])
        g[i] += amount * (grey - g[i])
        b[i] += amount * (grey - b[i])
