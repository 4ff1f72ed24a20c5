"""What a printed paper says, for tests that read it."""

from scionreg.documents.paper import Paper


def told(paper: Paper) -> str:
    """Return all that a paper says, as one text."""
    lines = [paper.title, paper.code, paper.lead, *paper.foot]
    lines += [f"{label}: {value}" for label, value in paper.facts]
    for section in paper.sections:
        lines += [section.title, *section.lines, *section.notes]
        if section.table is not None:
            lines += [" | ".join(row) for row in (section.table.columns, *section.table.rows)]
    return "\n".join(lines)
