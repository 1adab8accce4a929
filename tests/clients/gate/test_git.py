"""Reading revisions with git: bytes as they are, any path, and clear words for what cannot be had."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from clients.gate import git, trees
from clients.gate.changes import Change, changes
from clients.sources import CannotCheck
from tests.clients.gate.repo import LAMP, Repo


def said(failure: pytest.ExceptionInfo[CannotCheck]) -> str:
    problem = failure.value.problem
    errors = [str(value) for item in problem["errors"] for value in item.values()]
    return " ".join([problem["detail"], *errors])


def test_blobs_come_back_as_they_are(repo: Repo) -> None:
    odd: dict[str, str | bytes] = {
        "crlf.yaml": b"a: 1\r\nb: 2\r\n", "mark.json": b"\xef\xbb\xbf{}", "empty.yaml": b"", "end": b"x\n\n",
        "a folder/with blanks.yaml": b"1", "h\xe4nge/\xb5F.yaml": b"2", "line\nbreak.yaml": b"3",
        "tab\there.yaml": b"4", "-dash.yaml": b"5", "zero.bin": b"\x00\n\x00",
    }  # fmt: skip
    commit = repo.commit(odd)
    tree = trees.revision(repo.found(), commit)
    assert {path: tree.read(path) for path in tree.paths()} == odd
    assert dict(tree.texts(tree.paths())) == odd
    assert list(tree.paths()) == sorted(odd)


def test_many_blobs_come_in_several_runs(repo: Repo, monkeypatch: pytest.MonkeyPatch) -> None:
    files: dict[str, str | bytes] = {f"{n}.yaml": f"n: {n}\n" * n for n in range(1, 20)}
    tree = trees.revision(repo.found(), repo.commit(files))
    monkeypatch.setattr(trees, "_CHUNK", 100)
    assert {path: data.decode() for path, data in tree.texts(tree.paths())} == files


def test_links_and_submodules_are_no_files(repo: Repo) -> None:
    repo.write({"lamp.yaml": LAMP})
    (repo.top / "link.yaml").symlink_to("lamp.yaml")
    inner = repo.top / "inner"
    inner.mkdir()
    Repo(inner).commit({"inner.yaml": LAMP})
    tree = trees.revision(repo.found(), repo.commit())
    assert tree.blobs["inner"].mode == "160000"
    assert list(tree.paths()) == ["lamp.yaml"]
    assert tree.is_link("link.yaml")
    assert tree.resolved("link.yaml") == "lamp.yaml"
    with pytest.raises(OSError, match="argument"):
        tree.read("link.yaml")


def test_links_in_a_circle_are_an_error(repo: Repo) -> None:
    (repo.top / "one").symlink_to("two")
    (repo.top / "two").symlink_to("one")
    tree = trees.revision(repo.found(), repo.commit())
    with pytest.raises(OSError, match="links"):
        tree.resolved("one")


def test_a_folder_outside_of_any_repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    assert git.find(str(tmp_path)) is None
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CannotCheck) as failure:
        git.need()
    assert "no git repository" in said(failure)
    assert str(tmp_path)[:20] in said(failure)


def test_no_git_on_the_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(CannotCheck) as failure:
        git.find(str(tmp_path))
    assert "git is not on the path" in said(failure)


def test_an_unknown_revision_has_its_nearest_name(repo: Repo) -> None:
    repo.commit({"a": "1"})
    repo.git("branch", "greenhouse")
    with pytest.raises(CannotCheck) as failure:
        repo.found().commit("greenhuose")
    assert failure.value.problem["errors"][0]["nearest"] == "greenhouse"
    assert "git fetch" in said(failure)


@pytest.mark.parametrize("revision", ["--all", "-x", "", "HEAD:a", "main..main", "no such", "x\nHEAD"])
def test_what_is_no_commit_is_refused(repo: Repo, revision: str) -> None:
    repo.commit({"a": "1"})
    with pytest.raises(CannotCheck):
        repo.found().commit(revision)


def test_a_tag_names_its_commit(repo: Repo) -> None:
    commit = repo.commit({"a": "1"})
    repo.git("tag", "-a", "v1", "-m", "one")
    assert repo.found().commit("v1") == commit == repo.found().commit(commit[:9])


def test_the_merge_base(repo: Repo) -> None:
    common = repo.commit({"a": "1"})
    repo.git("switch", "--quiet", "--create", "work")
    repo.commit({"b": "1"})
    repo.git("switch", "--quiet", "main")
    repo.commit({"c": "1"})
    found = repo.found()
    assert found.merge_base(found.commit("main"), found.commit("work")) == common


def test_histories_that_have_nothing_in_common(repo: Repo) -> None:
    repo.commit({"a": "1"})
    repo.git("switch", "--quiet", "--orphan", "island")
    repo.commit({"b": "1"})
    found = repo.found()
    with pytest.raises(CannotCheck) as failure:
        found.merge_base(found.commit("main"), found.commit("island"))
    assert "share no history" in said(failure)


def test_a_shallow_clone_without_the_merge_base_says_how_to_deepen(repo: Repo) -> None:
    repo.commit({"a": "1"})
    repo.git("switch", "--quiet", "--create", "work")
    repo.commit({"b": "1"})
    repo.git("switch", "--quiet", "main")
    repo.commit({"c": "1"})
    url = (repo.top / ".git").as_uri()
    repo.git("clone", "--quiet", "--depth=1", "--no-single-branch", "--branch=work", url, "shallow")
    found = git.find(str(repo.top / "shallow"))
    assert found is not None
    assert found.is_shallow
    with pytest.raises(CannotCheck) as failure:
        found.merge_base(found.commit("origin/main"), found.commit("HEAD"))
    assert "--unshallow" in said(failure)
    assert "--exact-base" in said(failure)


def test_what_a_hook_inherits_does_not_confuse(repo: Repo, tmp_path_factory: pytest.TempPathFactory,
                                               monkeypatch: pytest.MonkeyPatch) -> None:
    commit = repo.commit({"a": "1"})
    other = tmp_path_factory.mktemp("other")
    Repo(other)
    for name, value in (("GIT_DIR", other / ".git"), ("GIT_WORK_TREE", other), ("GIT_PREFIX", "x/"),
                        ("GIT_INDEX_FILE", other / "none")):  # fmt: skip
        monkeypatch.setenv(name, str(value))
    found = git.find()
    assert found is not None
    assert found.top == os.path.realpath(repo.top)
    assert found.commit("HEAD") == commit


def changed(repo: Repo, base: str) -> dict[str, Change]:
    found = repo.found()
    return dict(changes(found, trees.revision(found, base), (base,), trees.working(found)))


def test_every_kind_of_change_is_told(repo: Repo) -> None:
    base = repo.commit({"kept": "1", "edited": "1", "gone": "no more\n", "old name": "a\nb\nc\n",
                        ".gitignore": "*.log\n"})  # fmt: skip
    repo.git("mv", "old name", "new n\u00e4me")
    (repo.top / "gone").unlink()
    repo.write({"edited": "2", "fresh": "1", "some.log": "1", "staged": "1"})
    repo.git("add", "staged")
    assert changed(repo, base) == {
        "edited": Change("edited", "modified", "edited"),
        "fresh": Change("fresh", "untracked", None),
        "gone": Change("gone", "deleted", "gone"),
        "new n\u00e4me": Change("new n\u00e4me", "renamed", "old name"),
        "staged": Change("staged", "added", None),
    }


def test_a_file_moved_without_git_is_found_by_its_bytes(repo: Repo) -> None:
    base = repo.commit({"lamp.yaml": LAMP, "other.yaml": LAMP + "\n"})
    (repo.top / "lamp.yaml").rename(repo.top / "bench.yaml")
    assert changed(repo, base) == {"bench.yaml": Change("bench.yaml", "renamed", "lamp.yaml")}


def test_a_file_that_git_was_told_to_forget_keeps_its_base(repo: Repo) -> None:
    base = repo.commit({"lamp.yaml": LAMP})
    repo.git("rm", "--quiet", "--cached", "lamp.yaml")
    assert changed(repo, base) == {"lamp.yaml": Change("lamp.yaml", "modified", "lamp.yaml")}


def test_settings_of_a_user_change_nothing(repo: Repo) -> None:
    base = repo.commit({"sub/lamp.yaml": "1\n2\n3\n"})
    for name, value in (("diff.renames", "false"), ("diff.relative", "true"), ("core.quotePath", "true"),
                        ("status.relativePaths", "true"), ("diff.noprefix", "true"), ("color.ui", "always"),
                        ("diff.external", "false")):  # fmt: skip
        repo.git("config", name, value)
    new = "sub/w\u00e4rm.yaml"
    repo.git("mv", "sub/lamp.yaml", new)
    assert changed(repo, base) == {new: Change(new, "renamed", "sub/lamp.yaml")}


def test_the_index_is_read_as_it_is_staged(repo: Repo) -> None:
    base = repo.commit({"lamp.yaml": "1"})
    repo.write({"lamp.yaml": "2", "new.yaml": "1"})
    repo.git("add", "--all")
    repo.write({"lamp.yaml": "3", "draft.yaml": "1"})
    found = repo.found()
    tree = trees.index(found)
    assert {path: tree.read(path) for path in tree.paths()} == {"lamp.yaml": b"2", "new.yaml": b"1"}
    got = changes(found, trees.revision(found, base), (base,), tree, staged=True)
    assert set(got) == {"lamp.yaml", "new.yaml"}
