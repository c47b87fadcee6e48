"""What is done once ahead of all processes for work."""

from __future__ import annotations

import subprocess
import sys

from tests.server import ROOT

# In an interpreter of its own: this one has imported everything already.
PROGRAM = """
import sys, threading
import service.inside
before = {"ortools", "scipy", "scipy.optimize", "lark"} & set(sys.modules)
import service.warm
from service.rules.cql2.reader import _grammar
solvers = {"ortools.sat.python.cp_model", "scipy.sparse.csgraph", "scipy.optimize"} <= set(sys.modules)
print(sorted(before), _grammar.cache_info().currsize, solvers, threading.active_count())
"""


def test_grammar_and_solvers_are_there_and_no_thread_is() -> None:
    found = subprocess.run([sys.executable, "-c", PROGRAM], cwd=ROOT, capture_output=True, text=True, check=True)
    *before, grammars, has_solvers, threads = found.stdout.split()
    assert (grammars, has_solvers, threads) == ("1", "True", "1")
    # Else there would be nothing left to do ahead.
    assert not {"ortools", "scipy"} & set(" ".join(before).replace("'", " ").split())
