"""What runs in the copy: the tests of a mutant, once it is sure that the copy is what they import.

`python -m tests.mutants.inside FOLDER MODULE TEST...`; ends as pytest does, or with `ELSEWHERE`, or with `UNUSED` where
the tests passed without importing the module.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

ELSEWHERE = 90
UNUSED = 91


def main(folder: str, module: str, *tests: str) -> int:
    import clearance

    if not Path(clearance.__file__).resolve().is_relative_to(Path(folder).resolve()):
        print(f"imported {clearance.__file__}, expected the copy in {folder}")
        return ELSEWHERE
    code = int(pytest.main(["-q", "-x", "-n", "0", "-p", "no:cacheprovider", "--no-header", *tests]))
    return UNUSED if code == 0 and module and module not in sys.modules else code


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
