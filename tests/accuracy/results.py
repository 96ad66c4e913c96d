"""RESULTS.md: one section for each study, which replaces its own and leaves the others."""

from __future__ import annotations

import re
from pathlib import Path

RESULTS = Path(__file__).with_name("RESULTS.md")

HEAD = "# Accuracy\n\nWhat the studies in this folder have measured; each writes its own section.\n"


def section_written(title: str, body: str, *, place: Path = RESULTS) -> str:
    """Put a section into the file and return the whole text."""
    begin, end = f"<!-- begin {title} -->", f"<!-- end {title} -->"
    text = place.read_text(encoding="utf-8") if place.exists() else HEAD
    section = f"{begin}\n## {title}\n\n{body.strip()}\n{end}"
    found = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.DOTALL)
    known = found.search(text) is not None
    text = found.sub(lambda _: section, text) if known else f"{text.rstrip()}\n\n{section}\n"
    place.write_text(text, encoding="utf-8")
    return text
