"""The housing rule: cracks, missing corners and locks, pushed-out terminals."""

from __future__ import annotations

from dataclasses import replace

from models.repair.case import Case
from models.repair.spots import Shell, Spot, meets
from models.repair.verdicts import REPAIR, Hit, beyond, gravest
from models.repair.words import length, quantity, several
from vision.findings import Action, Housing, Verdict

_HOW = (
    "Move one wire at a time to the same cavity, hear or feel each latch, pull to check, close the secondary lock, "
    "carry over seals and cavity plugs."
)


def housing_region(spot: Spot, label: str, case: Case) -> Hit | None:
    """A region of damage on a connector: the housing is replaced."""
    if label != "connector":
        return None
    shell = next((s for s in case.shells if s.photo == spot.photo and meets(spot, s)), None)
    on = shell.ref if shell else spot.ref
    says = f"{spot.ref}: damaged housing (extent {length(spot.region.length_mm)})"
    extent = spot.region.length_mm  # as its words say, not what the shell's own cracks may measure
    hit = _replaced(on, says, shell.housing if shell else None)
    return replace(hit, measured=extent, unit="mm" if extent is not None else None)


def housing_shells(case: Case) -> list[Hit]:
    """What the housings themselves show, region or not."""
    named = {
        shell.ref
        for spot in case.spots
        if spot.labels == ("connector",)
        for shell in case.shells
        if shell.photo == spot.photo and meets(spot, shell)
    }
    hits = [(shell, _shell(shell, case)) for shell in case.shells]
    hits = [(shell, hit) for shell, hit in hits if not (hit.on in named and hit.verdict != "violated")]
    # another view of a housing can show more damage; what it leaves open its first view may have told
    return [
        hit if not shell.seen_as else replace(hit, says=f"{hit.says} (as {shell.seen_as} shows it)")
        for shell, hit in hits
        if hit.verdict == "violated" or not shell.seen_as
    ]


def shell_signs(housing: Housing, case: Case) -> Verdict:
    """Cracks, missing parts and pushed-out terminals; what was not judged cannot be told."""
    area = housing.missing_area_mm2
    verdicts: list[Verdict] = [{True: "violated", False: "met", None: "cannot_tell"}[housing.cracked]]  # type: ignore[list-item]
    if area is not None:
        verdicts.append(beyond(area, 0.0, case.rules.housing.zero_within_mm2))
    if housing.displaced_terminals is not None:
        verdicts.append("violated" if housing.displaced_terminals > 0 else "met")
    return gravest(verdicts)


def _shell(shell: Shell, case: Case) -> Hit:
    verdict = shell_signs(shell.housing, case)
    states = case.answers.housing_state
    answered = states.get(shell.seen_as) or states.get(shell.ref)
    if verdict == "violated" or answered == "damaged":
        return _replaced(shell.ref, f"{shell.ref}: {described(shell.housing, case)}", shell.housing)
    if answered == "sound":
        return Hit("housing", "met", f"{shell.ref}: looked over and sound", shell.ref)
    asked = case.question("housing", shell.ref, "a damaged housing is replaced")
    if verdict == "cannot_tell":
        says = f"{shell.ref}: cannot tell whether the shell is whole"
        return Hit("housing", verdict, says, shell.ref, needs=REPAIR, questions=(asked,))
    if shell.housing.displaced_terminals is None:
        says = f"{shell.ref}: shell whole; whether every terminal is held was not seen: pull to check"
        return Hit("housing", "cannot_tell", says, shell.ref, worst=REPAIR, questions=(asked,))
    return Hit("housing", "met", f"{shell.ref}: shell whole, terminals in place", shell.ref)


def described(housing: Housing, case: Case) -> str:
    """The signs of damage on a shell, in words."""
    signs = []
    if housing.cracked:
        crack = housing.crack_length_mm
        measured = crack is not None and crack.value > crack.u95
        by_look = "cracked or broken by its look, length not measured"
        signs.append(f"cracked over {length(crack)}" if measured else by_look)
    lost = beyond(housing.missing_area_mm2, 0.0, case.rules.housing.zero_within_mm2)
    if housing.missing_area_mm2 is not None and lost == "violated":
        signs.append(f"a piece of {quantity(housing.missing_area_mm2, 'mm²')} missing")
    if housing.displaced_terminals:
        signs.append(f"{several(housing.displaced_terminals, 'terminal')} pushed out")
    return ", ".join(signs) or "damaged, as found at the bench"


def _replaced(on: str, says: str, housing: Housing | None) -> Hit:
    actions = [Action(action="replace_housing", on=on, why=f"{says}. {_HOW}")]
    if housing is not None and housing.displaced_terminals:
        out = several(housing.displaced_terminals, "terminal")
        why = f"{out} pushed out: a bent or torn one is replaced with its lead."
        actions.append(Action(action="inspect_terminals", on=on, why=why))
    measured = housing.crack_length_mm if housing is not None else None
    unit = "mm" if measured is not None else None
    return Hit("housing", "violated", says, on, measured, None, unit, floor=REPAIR, actions=tuple(actions))
