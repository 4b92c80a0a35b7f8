"""The command `plugins`."""

from __future__ import annotations


def test_plugins_lists_the_core_and_what_it_answers(answer):
    found = answer("plugins")["plugins"]
    hooks = {hook for each in found for hook in each["hooks"] if each["distribution"] == "skysample"}
    assert hooks == {
        "skysample_obstructions",
        "skysample_orderings",
        "skysample_terms",
        "skysample_mistakes",
    }
