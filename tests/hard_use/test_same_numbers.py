"""The same case gives the same bytes whatever the number of threads."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys

SCRIPT = """
import json, sys
from coreg.case import open_case
case = open_case(sys.argv[1])
case.run(["predict", "outline", "align", "agree"], again=True)
print(json.dumps({step: case.result(step).record["outputs"] for step in
                  ("predict", "outline", "align", "agree")}))
"""
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS")


def test_one_thread_and_several_give_the_same_bytes(finished, tmp_path):
    outputs = {}
    for count in ("1", "2"):
        case = tmp_path / count
        shutil.copytree(finished, case)
        environment = {**os.environ, **dict.fromkeys(THREADS, count)}
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT, str(case)],
            capture_output=True,
            text=True,
            check=True,
            env=environment,
        )
        outputs[count] = json.loads(done.stdout)
    assert outputs["1"] == outputs["2"]
    assert len(outputs["1"]["agree"]) >= 3
