"""Nuclei as dark blobs of the first stain: how many there are, and how large."""

from __future__ import annotations

import numpy as np

# Nuclei are a few pixels wide only on pixels of at most this size; on larger ones they are not
# counted.
LARGEST_PIXEL_UM = 4.0
# Blobs of about this diameter are looked for; nuclei that lie closer count as one.
_DIAMETER_UM, _APART_UM = 6.0, 4.0
# A nucleus is darker than what surrounds it by this share of it, and by this much in any case.
_RISE, _LEAST_OD = 0.3, 0.04


def nuclei(first: np.ndarray, pixel_um: float) -> tuple[np.ndarray, np.ndarray]:
    """Where nuclei are.

    Blobs are where the difference of two Gaussians is high (an approximation of the Laplacian of
    Gaussian; D. Marr, E. Hildreth, Proc. R. Soc. Lond. B 1980;207:187-217, from memory).

    Parameters
    ----------
    first : (rows, columns) density of the first stain
    pixel_um : at most `LARGEST_PIXEL_UM`; all is 0 on larger pixels

    Returns
    -------
    middles : float32 (rows, columns), 1 at the middle of each nucleus
    covered : float32 (rows, columns), 1 on pixels within nuclei
    """
    from scipy import ndimage

    if pixel_um > LARGEST_PIXEL_UM:
        nothing = np.zeros(first.shape, dtype=np.float32)
        return nothing, nothing
    narrow = ndimage.gaussian_filter(first, _DIAMETER_UM / 6 / pixel_um, truncate=3)
    around = ndimage.gaussian_filter(first, _DIAMETER_UM / pixel_um, truncate=3)
    rise = narrow - around
    dark = rise > np.maximum(_RISE * around, _LEAST_OD)
    round_ = ndimage.gaussian_filter(first, _DIAMETER_UM / 4 / pixel_um, truncate=3)
    # A faint slope, so that of equal neighbours one is the maximum.
    rows, columns = np.ogrid[: first.shape[0], : first.shape[1]]
    round_ = round_ + np.float32(1e-6) * (rows + np.float32(0.6) * columns).astype(np.float32)
    size = max(3, 2 * round(_APART_UM / 2 / pixel_um) + 1)
    middles = dark & (round_ == ndimage.maximum_filter(round_, size))
    return middles.astype(np.float32), dark.astype(np.float32)
