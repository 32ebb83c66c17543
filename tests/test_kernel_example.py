"""The example of the kernel by itself gives what its docstring works out by hand."""

from __future__ import annotations

import re
import runpy


def test_the_kernel_by_itself_encloses_the_answer_found_by_hand(repository, capsys):
    runpy.run_path(str(repository / "examples" / "kernel_by_itself.py"), run_name="__main__")

    lower, upper = map(float, re.search(r"from ([\d.]+) to ([\d.]+) m", capsys.readouterr().out).groups())
    assert lower <= 0.2 <= upper
    assert upper - lower <= 1.01e-4
