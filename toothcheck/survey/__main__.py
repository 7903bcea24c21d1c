"""``python -m toothcheck.survey`` is ``toothcheck survey``."""

import runpy
import sys

if __name__ == "__main__":
    sys.argv[1:1] = ["survey"]
    runpy.run_module("toothcheck", run_name="__main__")
