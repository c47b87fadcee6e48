"""The columns say of every coin what the exact evaluator says of it."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from service.evaluation.columns import Columns
from service.evaluation.table import Table
from service.facts.truth import NO, UNDECIDED, YES
from tests.factories import AROUND, a_rule, a_view
from tests.strategies import ATTRIBUTES, rules, some_facts


@settings(max_examples=150, deadline=None)
@given(st.lists(rules(), min_size=1, max_size=3), st.lists(some_facts(), min_size=1, max_size=12))
def test_columns_and_the_exact_evaluator_agree(written: list[object], coins: list[dict[str, object]]) -> None:
    views = [a_view(facts) for facts in coins]
    columns, table = Columns(views, ATTRIBUTES, AROUND), Table(ATTRIBUTES, AROUND)
    for rule in (a_rule(one) for one in written):
        fits = columns.fits(rule)
        told = {int(row): (YES, False) for row in fits.certain}
        told |= {int(row): (UNDECIDED, False) for row in fits.alternatives}
        told |= {int(row): (UNDECIDED, True) for row in fits.unknown}
        for row, view in enumerate(views):
            fit = table.fit(rule, (view,))
            said = told.get(row, (NO, False))
            # Past a limit the exact evaluator leaves open what the columns, clause by clause, may still decide.
            assert said == (fit.verdict, fit.rests_on_unknown) or (fit.limit is not None and fit.verdict is UNDECIDED)
        assert columns.count(rule) == (len(fits.certain), len(told))
