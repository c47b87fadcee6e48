"""Who may do what in a club: rules that hold whatever its members do."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.accounts.model import Owner
from service.clubs.model import MEMBER, ROLES, STEWARD, Consent, MemberRoles, Membership
from service.errors import Conflict, Forbidden
from tests.strategies import examples

NOW = datetime(2026, 11, 25, tzinfo=UTC)
NAMES = st.sampled_from("abcde")
STEPS = st.lists(st.tuples(NAMES, st.sampled_from([MEMBER, STEWARD, "go"])), max_size=40)
SOME = settings(max_examples=examples(100), deadline=None)


def a_seat(role: str) -> Membership:
    return Membership("club", Owner("owner"), "member", role, "Ida Lund", NOW)


def after(roll: MemberRoles, name: str, step: str) -> MemberRoles:
    if step == "go":
        return roll.without(name)
    return roll.with_role(name, step)


@pytest.mark.parametrize("role", ROLES)
def test_a_steward_may_do_all_that_a_member_may_and_not_the_other_way_round(role: str) -> None:
    a_seat(STEWARD).ensure(role)
    if role == STEWARD:
        with pytest.raises(Forbidden, match="takes a steward"):
            a_seat(MEMBER).ensure(role)
    else:
        a_seat(MEMBER).ensure(role)


@SOME
@given(STEPS)
def test_a_club_with_members_has_a_steward_whatever_happens(steps: list[tuple[str, str]]) -> None:
    roll = MemberRoles({"founder": STEWARD})
    for name, step in steps:
        name = "founder" if name == "a" else name
        before = dict(roll.roles)
        try:
            roll = after(roll, name, step)
        except Conflict:
            # What is refused would have left members without a steward, and changed nothing.
            left = {**before, name: step} if step != "go" else {n: r for n, r in before.items() if n != name}
            assert left
            assert STEWARD not in left.values()
        assert not roll.roles or roll.stewards
        if not roll.roles:
            return


@SOME
@given(STEPS)
def test_everybody_can_go_in_the_end_and_the_last_steward_goes_last(steps: list[tuple[str, str]]) -> None:
    roll = MemberRoles({"founder": STEWARD})
    for name, step in steps:
        if step != "go":
            roll = after(roll, name, step)
    for name in sorted(roll.roles, key=lambda name: roll.roles[name] == STEWARD):
        assert roll.stewards
        roll = roll.without(name)
    assert roll.roles == {}


def test_handing_over_takes_the_heir_first() -> None:
    roll = MemberRoles({"founder": STEWARD, "heir": MEMBER})
    for step in ("go", MEMBER):
        with pytest.raises(Conflict, match="another member a steward first"):
            after(roll, "founder", step)
    both = roll.with_role("heir", STEWARD)
    assert both.with_role("founder", MEMBER).stewards == 1
    assert both.without("founder").roles == {"heir": STEWARD}


def test_a_club_ends_only_when_nobody_else_is_left() -> None:
    MemberRoles({"founder": STEWARD}).ensure_only("founder")
    with pytest.raises(Conflict, match="2 other members"):
        MemberRoles({"founder": STEWARD, "b": MEMBER, "c": STEWARD}).ensure_only("founder")


def test_nothing_is_shown_unless_it_is_said() -> None:
    assert not Consent().is_any
    assert Consent(standing=True).is_any
    assert Consent(spares=True).is_any
    assert Consent(display=True).is_any
    # A display asks for no standing.
    assert not Consent(display=True).counts
