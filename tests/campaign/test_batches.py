"""Batches killed at random moments: whatever was reported saved is there, and nothing is there twice.

`PINWRIGHT_CAMPAIGN=full` kills five hundred programs; otherwise it is fewer, at other moments every time.
`PINWRIGHT_SEED` repeats those of one run.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
KILLS = 500 if os.environ.get("PINWRIGHT_CAMPAIGN") == "full" else 8


@pytest.mark.skipif(os.name != "posix", reason="fork and kill are of POSIX")
def test_a_batch_that_is_killed_at_any_moment_loses_nothing_and_doubles_nothing(tmp_path: Path) -> None:
    seed = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(1 << 30))
    print(f"PINWRIGHT_SEED={seed}")
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "host")}

    def run(*words: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, *map(str, words)], env=environment, capture_output=True, text=True, timeout=1800
        )

    done = run(ROOT / "tests" / "campaign" / "killing_batches.py", tmp_path, KILLS, seed)
    assert done.returncode == 0, done.stderr
    counted = json.loads(done.stdout)
    print(counted)
    assert KILLS == counted["kills"]
    assert counted["reported"] >= counted["batches"]
    verified = run("-m", "pinwright", "records", "verify", "--json", "--records", tmp_path)
    assert verified.returncode == 0, verified.stdout
