"""``python -m toothcheck.synthetic`` is ``toothcheck synthetic``."""

import runpy
import sys

if __name__ == "__main__":
    sys.argv[1:1] = ["synthetic"]
    runpy.run_module("toothcheck", run_name="__main__")
