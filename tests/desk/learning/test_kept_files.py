"""A backup carries what was learnt, and no name in it leads out of the desk's folder."""

import io
import tarfile

from desk.records.kept_files import add_kept, take_kept


def test_what_was_learnt_comes_back_and_nothing_else(tmp_path):
    """Labels, a snapshot, a model and which is used; kept lessons and strange names stay where they are."""
    here, there = tmp_path / "here", tmp_path / "there"
    names = ["labels.toml", "learning/snapshots/0123456789ab.json", "models/desk-0123456789/model.skops",
             "models/desk-0123456789/card.json", "models/desk-0123456789/card_hash.json", "learning/seeds.json",
             "models/in_use.json"]  # fmt: skip
    for name in [*names, "learning/lessons/x.npz", "models/desk-0123456789/odd name.txt"]:
        (here / name).parent.mkdir(parents=True, exist_ok=True)
        (here / name).write_text(name)
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w") as tar:
        add_kept(tar, here)
        for name in ("kept/../../evil.toml", "kept/models/in_use.json/../../x", "labels.toml"):
            info = tarfile.TarInfo(name)
            info.size = 1
            tar.addfile(info, io.BytesIO(b"x"))
    stream.seek(0)
    with tarfile.open(fileobj=stream) as tar:
        taken = [take_kept(tar, member, there) for member in tar.getmembers()]
    assert taken == [True] * 7 + [False] * 3
    assert sorted(p.relative_to(there).as_posix() for p in there.rglob("*") if p.is_file()) == sorted(names)
    assert (there / "models/in_use.json").read_text() == "models/in_use.json"
