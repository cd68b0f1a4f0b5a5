"""What a faulty tester does: a sample of every kind of fault, others each run.

`PINWRIGHT_CAMPAIGN=full` tries all of them; `python tests/campaign/tester_faults.py` prints the table.
"""

from __future__ import annotations

import os
import random

import pytest

from .tester_faults import KINDS, faults, tell

FULL = os.environ.get("PINWRIGHT_CAMPAIGN") == "full"
SEED = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(1 << 32))
SAMPLE = 6


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.one_in(2)
def test_no_bad_lead_passes_and_the_fault_does_not_stay_hidden(kind):
    of_kind = [fault for fault in faults(SEED) if fault.kind == kind]
    chosen = of_kind if FULL else random.Random(SEED).sample(of_kind, min(SAMPLE, len(of_kind)))
    for fault in chosen:
        told = tell(fault)
        assert told.sound, f"seed {SEED}, {fault}: {told}"


@pytest.mark.parametrize("kind", ["stuck low", "stuck high", "dead", "moved", "converter"])
def test_with_a_fault_of_this_kind_no_scan_comes_to_a_verdict(kind):
    of_kind = [fault for fault in faults(SEED) if fault.kind == kind]
    for fault in of_kind if FULL else random.Random(SEED + 1).sample(of_kind, 3):
        assert tell(fault).refused, f"seed {SEED}, {fault}"
