"""Make the expected results of the shipped digs anew: python tests/golden/rebuild.py

Whoever does so says in the commit why the numbers moved.
"""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from tipdatum.config import FusionTable, make_settings
from tipdatum.grade.forms import WorkOptions
from tipdatum.run.replay import replay_file

HERE = Path(__file__).parent
DIGS = HERE.parents[1] / "replay_data"
RATE_HZ = 50.0
"""Of the figures, whatever the service's default: a change of that one moves no number."""
EVERY = 10
"""One message in so many is kept: 5 a second, enough to see where numbers moved."""


def kept(messages: Path) -> list[str]:
    """The messages of a replay that are compared, one a line."""
    first, *rest = messages.read_text(encoding="utf-8").splitlines()
    plain = json.loads(first)
    plain.pop("origin")  # it names the build
    return [json.dumps(plain, separators=(",", ":")), *rest][::EVERY]


def expected_path(dig: Path) -> Path:
    """Where the expected result of a dig lies."""
    return HERE / f"{dig.name.removesuffix('.ndjson.gz')}.expected.ndjson"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.ndjson"
        for each in sorted(DIGS.glob("*.ndjson.gz")):
            replay_file(each, out, make_settings(FusionTable(tick_hz=RATE_HZ), WorkOptions(), "golden"))
            expected_path(each).write_text("\n".join(kept(out)) + "\n", encoding="utf-8")
            print(f"{expected_path(each).name} made anew")
