"""Says in words what a corrected set holds; command line and pages show the same."""

from __future__ import annotations

from collections.abc import Sequence

from desk.learning.corrected import VERDICTS, Snapshot
from desk.learning.drift import ALPHA, Week
from desk.wording import say_label


def say_snapshot(snapshot: Snapshot) -> str:
    """A few lines: id, what it covers, and a small table of labels by verdict."""
    days = snapshot.days()
    blind = [photo for photo in snapshot.photos if photo.blind]
    lines = [
        f"Snapshot {snapshot.id} of {snapshot.made_at[:10]}, features of version {snapshot.feature_version}",
        f"{len(snapshot.assemblies)} assemblies, {len(snapshot.photos)} photographs, {len(snapshot.places)} places"
        + (f", signed off from {days[0]} to {days[1]}" if days else ""),
        f"{len(blind)} of the photographs drawn for second opinions: held out, never learnt from",
    ]
    width = max([len(say_label(label)) for label in snapshot.counts()] + [5])
    lines.append(f"{'label':{width}}  " + "  ".join(f"{verdict:>9}" for verdict in VERDICTS))
    for label, row in snapshot.counts().items():
        lines.append(f"{say_label(label):{width}}  " + "  ".join(f"{row.get(verdict, 0):>9}" for verdict in VERDICTS))
    return "\n".join(lines)


def say_weeks(weeks: Sequence[Week], baseline: str) -> str:
    """One line a week: nothing moved, or what moved and by how much."""
    lines = [f"Held against {baseline}."]
    for week in weeks:
        head = f"week of {week.week.isoformat()}, {week.photographs} photographs: "
        if not week.told:
            lines.append(head + "too few to tell")
            continue
        said = [f"{m.name} {m.usual:.3g} -> {m.now:.3g} ({m.shift_sd:+.1f} sd)" for m in week.moved]
        if week.labels_p is not None and week.labels_p < ALPHA:
            said.append("another mix of labels")
        lines.append(head + ("; ".join(said) if said else "nothing moved"))
    return "\n".join(lines)
