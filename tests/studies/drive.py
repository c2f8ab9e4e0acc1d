"""``ems`` as a process of its own, with the quick solver in the table of what a study can solve: python drive.py batch run ..."""

import sys

from quick_solver import SOLVER

from ems.cli.main import main
from ems.studies.solvers import SOLVERS

if __name__ == "__main__":
    SOLVERS["quick"] = SOLVER
    main(sys.argv[1:])
