"""Make the small invented case of ``sample_slides/``: ``python -m coreg.demo.sample FOLDER``.

The same command gives the same bytes with the same versions of the libraries.
"""

from __future__ import annotations

import sys
from pathlib import Path

from coreg.case import CASE_FILE, new_case
from coreg.demo import Scenario, simulate, write_case
from coreg.errors import CoregError

SCENARIO = Scenario(
    seed=14,
    plane_shape=(134, 96),
    frame_rate_hz=500.0,
    frames=24,
    treatment_times=4,
    power_w=1.05,
    turn_deg=-35.0,
    mirrored=True,
    stain_shift=0.4,
    truth_spacing_mm=0.1,
)
SLIDE_UM_PER_PX = 10.0


def main(arguments: list[str] | None = None) -> int:
    """Write the sample into the folder named; 0 when done, 1 or 2 with one sentence when not."""
    given = sys.argv[1:] if arguments is None else arguments
    if len(given) != 1:
        print("Give one folder: python -m coreg.demo.sample sample_slides/case", file=sys.stderr)
        return 2
    try:
        folder = Path(given[0])
        files = write_case(simulate(SCENARIO), folder, slide_um_per_px=SLIDE_UM_PER_PX)
        if not (folder / CASE_FILE).exists():
            new_case(folder, files)
    except CoregError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    print(f"The invented case is in {given[0]}.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
