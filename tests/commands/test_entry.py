"""What is set up before a command is imported."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

PRODUCT = """
import os, sys
sys.argv = ["assembler", "--version"]
from assembler.entry import run
run()
import numpy as np
np.ones((500, 500)) @ np.ones((500, 500))
print(len(os.listdir("/proc/self/task")))
"""


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux's /proc")
def test_a_product_of_matrices_starts_no_threads() -> None:
    clean = {name: value for name, value in os.environ.items() if "THREADS" not in name}
    command = [sys.executable, "-c", PRODUCT]
    done = subprocess.run(command, env=clean, capture_output=True, text=True, check=True)
    assert done.stdout.split()[-1] == "1"
