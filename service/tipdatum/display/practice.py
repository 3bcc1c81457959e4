"""The page from which the practice machine is driven: files beside the display's own, under /practice/."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parent / "practice_page"

PRACTICE_FILES: dict[str, Path] = {
    **{f"/practice/{file.name}": file for file in sorted(FOLDER.glob("*")) if file.is_file()},
    "/practice/": FOLDER / "index.html",
}
"""Path in the address → file."""
