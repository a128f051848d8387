"""One parser under atheris: ``harness.py NAME [libFuzzer's arguments]``; see run.py."""

from __future__ import annotations

import logging
import sys
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

# Ours and the libraries in Python that parse; what is compiled is seen from outside only.
with atheris.instrument_imports(
    include=["coreg", "tifffile", "pydicom", "numpy.lib.format", "scipy.io", "zipfile", "json"]
):
    from hard_use.fuzz.parsers import PARSERS


def main() -> None:
    """Fuzz the parser named first."""
    logging.disable(logging.CRITICAL)
    parser = PARSERS[sys.argv[1]]
    atheris.Setup([sys.argv[0], *sys.argv[2:]], lambda data: parser.try_on(data) and None)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
