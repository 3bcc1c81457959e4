"""Which build of tipdatum runs: the commit that it was made from beside the version, and what is compiled."""

from __future__ import annotations

import json
import subprocess
from functools import cache
from importlib import metadata
from importlib.machinery import EXTENSION_SUFFIXES
from importlib.util import find_spec
from pathlib import Path

from tipdatum import __version__

ROOT = Path(__file__).resolve().parents[3]
"""The top of a source tree; of an installed wheel it is some folder of the environment."""
GIT_PATIENCE_S = 2.0
COMPILED_TOGETHER = "tipdatum.core.pipeline"
"""One of the modules that are compiled, or not, together."""


@cache
def build() -> str:
    """The commit (short, "+changed" behind it where files differ), or the version of an installed wheel."""
    return _of_source_tree(ROOT) or _of_installation() or __version__


def _of_source_tree(root: Path) -> str:
    # Without this look, an environment inside somebody else's repository would tell that one's commit.
    if not ((root / ".git").exists() and (root / "service" / "tipdatum").is_dir()):
        return ""
    try:
        told = subprocess.run(
            [
                "git",
                "-C",
                str(root),
                "describe",
                "--always",
                "--exclude=*",
                "--abbrev=12",
                "--dirty=+changed",
            ],
            capture_output=True,
            text=True,
            timeout=GIT_PATIENCE_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):  # no git here
        return ""
    return told.stdout.strip() if told.returncode == 0 else ""


def _of_installation() -> str:
    """The commit that pip noted where it installed from a repository (PEP 610, direct_url.json)."""
    try:
        noted = metadata.distribution("tipdatum").read_text("direct_url.json")
        commit = json.loads(noted or "{}").get("vcs_info", {}).get("commit_id", "")
    except (metadata.PackageNotFoundError, ValueError, AttributeError):
        return ""
    return str(commit)[:12]


def compiled() -> str:
    """Which parts run as machine code, in words."""
    # Imported here: they bring numpy, which most of those who ask for the build do without.
    from tipdatum.fusion.chain.compiled import built, outdated

    module = find_spec(COMPILED_TOGETHER)
    by_machine = module is not None and (module.origin or "").endswith(tuple(EXTENSION_SUFFIXES))
    parts = [name for name, there in (("kernels", built is not None), ("modules", by_machine)) if there]
    told = f"compiled {' and '.join(parts)}" if parts else "pure Python"
    return f"{told}; kernels of an older source left aside, install again" if outdated else told
