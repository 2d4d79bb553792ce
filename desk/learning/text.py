"""Says in words what a corrected set holds; command line and pages show the same."""

from __future__ import annotations

from collections.abc import Sequence

from desk.learning.corrected import VERDICTS, Snapshot
from desk.learning.doubts import Agreed, Doubt
from desk.learning.drift import ALPHA, LEAST, Week
from desk.learning.page_values import Doubts, DoubtShown
from desk.wording import say_label
from models.repair.words import several


def say_snapshot(snapshot: Snapshot) -> str:
    """A few lines: id, what it covers, and a small table of labels by verdict."""
    days = snapshot.days()
    blind = [photo for photo in snapshot.photos if photo.blind]
    lines = [
        f"Snapshot {snapshot.id} of {snapshot.made_at[:10]}, features of version {snapshot.feature_version}",
        f"{several(len(snapshot.assemblies), 'assembly', 'assemblies')}, "
        f"{several(len(snapshot.photos), 'photograph')}, {several(len(snapshot.places), 'place')}"
        + (f", signed off from {days[0]} to {days[1]}" if days else ""),
        f"{len(blind)} of the photographs drawn for second opinions: held out, never learnt from",
    ]
    width = max([len(say_label(label)) for label in snapshot.counts()] + [5])
    lines.append(f"{'label':{width}}  " + "  ".join(f"{verdict:>9}" for verdict in VERDICTS))
    for label, row in snapshot.counts().items():
        lines.append(f"{say_label(label):{width}}  " + "  ".join(f"{row.get(verdict, 0):>9}" for verdict in VERDICTS))
    return "\n".join(lines)


WEAK_MODEL = (
    "So many that it is mostly the model that is wrong: look at the first ones, and train again when more is corrected."
)


def say_doubts(found: Doubts) -> str:
    """One line for each place that is shown, and how many there are in all."""
    if not found.version:
        return "No model was trained from corrections yet: one that was says which labels it finds improbable."
    if not found.total:
        return f"{found.version} finds no given label improbable."
    more = "" if found.total == len(found.shown) else f", the first {len(found.shown)}"
    lines = [
        f"Places whose given label {found.version} finds improbable, by folds without their assembly: "
        f"{found.total}{'' if found.places is None else f' of {found.places}'}{more}; the least probable first."
    ]
    lines += [WEAK_MODEL] if found.weak else []
    return "\n".join([*lines, *(f"{_say_doubt(one.doubt)}  {say_doubt_stands(one)}" for one in found.shown)])


def _say_doubt(doubt: Doubt) -> str:
    given, likeliest = say_label(doubt.given), say_label(doubt.likeliest)
    return (
        f"{doubt.assembly:20} {doubt.region:5} given {given} ({doubt.p_given:.0%}), "
        f"the model says {likeliest} ({doubt.p_likeliest:.0%})"
    )


_STANDS = {"to_review": "waits for review", "ordered": "ordered already", "closed": "closed already"}


def say_doubt_stands(one: DoubtShown) -> str:
    """What became of a doubtful place's assembly since; empty where it can be sent back to review."""
    if one.state is None:
        return "not on this desk's records"
    if one.state == "reviewed":
        return "signed off again since" if one.again else ""
    return _STANDS.get(one.state, one.state)


def say_agreed(found: Agreed) -> str:
    """How far two people agree: in all, by the first one's label, by pair."""
    if not found.places or found.ceiling is None or found.ceiling_low is None or found.ceiling_high is None:
        return "No place was named by two people: give second opinions (page Agreement), then keep a snapshot."
    lines = [
        f"Two people named {found.places} places alike in {found.ceiling:.0%} ({found.ceiling_low:.0%} to "
        f"{found.ceiling_high:.0%}). {CEILING}"
    ]
    lines += [f"{say_label(name):22} {n:>5} places, {same:>5} called the same" for name, (n, same) in
              found.by_label.items()]  # fmt: skip
    for pair in found.by_pair:
        kappa = "–" if pair.kappa is None else f"{pair.kappa:.2f}"
        lines.append(f"{pair.first}, {pair.second}: {pair.places} places, {pair.same} alike, Cohen's kappa {kappa}")
    return "\n".join(lines)


CEILING = "Measured against one of them, no model can be right much more often."
"""What agreement means for models."""


def say_held(week: Week) -> str:
    """How many photographs a week has, and of how many assemblies some are held against the baseline."""
    return f"{week.photographs + week.of_baseline} photographs, {week.assemblies} assemblies compared"


def say_untold(week: Week) -> str:
    """Why a week tells nothing."""
    if week.of_baseline and not week.photographs:
        return "nothing to tell: the other weeks are held against this one"
    return f"too few to tell: {LEAST} assemblies are needed"


def say_weeks(weeks: Sequence[Week], baseline: str) -> str:
    """One line a week: nothing moved, or what moved and by how much."""
    lines = [f"Held against {baseline}."]
    for week in weeks:
        head = f"week of {week.week.isoformat()}, {say_held(week)}: "
        if not week.told:
            lines.append(head + say_untold(week))
            continue
        said = [f"{m.name} {m.usual:.3g} -> {m.now:.3g} ({m.shift_sd:+.1f} sd)" for m in week.moved]
        if week.labels_p is not None and week.labels_p < ALPHA:
            said.append("another mix of labels")
        lines.append(head + ("; ".join(said) if said else "nothing moved"))
    return "\n".join(lines)
