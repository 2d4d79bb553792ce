"""One drawn photograph as findings, and entries on it."""

import pytest

from desk.review.edits import EDIT, Entry
from desk.truth_findings import findings_from_truth


@pytest.fixture
def seen(drawn):
    """Findings of a drawn photograph with the given regions; hash, name and changes by keyword."""

    def make(*regions, name="a.jpg", sha="aaaa1111", splices=(), **changes):
        findings = findings_from_truth(drawn.truth(name, list(regions), list(splices)), sha)
        return findings.model_copy(update=changes)

    return make


@pytest.fixture
def entry():
    """An entry from plain values; its writer has seen everything before it unless `based_on` says otherwise."""

    def make(id, person="ada", based_on="newest", **edit):
        seen_id = (id - 1 or None) if based_on == "newest" else based_on
        return Entry(
            id=id, person=person, made_at="2026-01-01T00:00:00Z", based_on=seen_id, edit=EDIT.validate_python(edit)
        )

    return make
