"""What operations cost of a caller's quota, in units. Most cost one."""

from __future__ import annotations

# From this cost on an operation computes for long, so that few of one caller's are under way at once (quotas.py).
HEAVY = 10

_COSTS = {
    20: ("find_swaps", "list_doubts", "list_standings"),
    HEAVY: (
        "adopt_revision",
        "allocate_holdings",
        "check_definition",
        "check_mine",
        "consider_candidates",
        "evaluate",
        "evaluate_mine",
        "evaluate_mine_in_parts",
        "explain_holding",
        "export_account",
        "get_club_display",
        "get_costs_of_pins",
        "get_impact",
        "get_insurance_list",
        "get_rule_prices",
        "get_standing",
        "get_want_list",
        "import_holdings",
        "import_issues",
        "list_labels",
        "list_member_spares",
        "list_spares",
        "list_undecided",
        "list_unplaced",
        "note_history",
        "preview_consent",
        "preview_definition",
        "propose_swap",
        "publish_revision",
        "pull_revision",
    ),
    5: ("add_photo", "export_holdings", "log_in", "put_photo", "redeem_invitation", "set_password", "sync_holdings"),
    # Whoever watches the service asks often, and has to be told also when there is much to do.
    0: ("get_metrics", "health_live", "health_ready"),
}
COSTS = {name: cost for cost, names in _COSTS.items() for name in names}
# It charges strangers alone, and has throttles of its own: others at an address must not keep a known device from logging in.
CHARGES_ITSELF = frozenset({"log_in"})


def cost_of(operation_id: str) -> int:
    """The units that an operation costs; 0: it is not limited."""
    return COSTS.get(operation_id, 1)
