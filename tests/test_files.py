"""Files are whole or untouched, and errors of the surroundings become messages."""

from __future__ import annotations

import os
import stat

import pytest

from evenflare.files import InputError, check_folder, read_text, replacing, together, write_text


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def interrupted(path, error):
    """Write half of a file, then fail."""
    with replacing(path) as temporary:
        temporary.write_text("half of the n")
        raise error


class TestReplacing:
    def test_a_block_that_ends_well_puts_the_new_file_in_place_of_the_old(self, tmp_path):
        path = tmp_path / "best.toml"
        path.write_text("old")
        with replacing(path) as temporary:
            assert temporary.parent.parent == tmp_path, "beside the file, so that the rename stays on one disk"
            assert temporary.name == "best.toml", "writers choose their format by the suffix"
            temporary.write_text("new")
            assert path.read_text() == "old"
        assert path.read_text() == "new"
        assert names(tmp_path) == ["best.toml"]

    @pytest.mark.parametrize("error", [RuntimeError("broken"), KeyboardInterrupt()])
    def test_a_block_that_raises_leaves_the_old_file_whole_and_no_temporary(self, tmp_path, error):
        path = tmp_path / "best.toml"
        path.write_text("old")
        with pytest.raises(type(error)):
            interrupted(path, error)
        assert path.read_text() == "old"
        assert names(tmp_path) == ["best.toml"]

    def test_a_full_disk_is_an_input_error_that_names_file_cause_and_remedy(self, tmp_path):
        path = tmp_path / "solid.stl"
        path.write_text("old")
        with pytest.raises(InputError) as caught:
            interrupted(path, OSError(28, "No space left on device"))
        assert str(caught.value) == (
            f"{path}: cannot be written: the disk is full. Free some space, or choose a folder on another disk"
        )
        assert path.read_text() == "old"
        assert names(tmp_path) == ["solid.stl"]

    def test_an_error_without_a_system_text_still_says_what_happened(self, tmp_path):
        with pytest.raises(InputError, match=r"cannot be written \(the writer gave up\)"), replacing(tmp_path / "a"):
            raise OSError("the writer gave up")

    def test_a_block_that_removes_its_file_is_an_error_and_leaves_nothing(self, tmp_path):
        with pytest.raises(InputError, match="No such file"), replacing(tmp_path / "a.csv") as temporary:
            temporary.unlink()
        assert names(tmp_path) == []

    def test_missing_folders_are_made(self, tmp_path):
        path = tmp_path / "run" / "best" / "points.csv"
        write_text(path, "z_mm,r_mm\n")
        assert path.read_text() == "z_mm,r_mm\n"

    def test_a_file_where_the_folder_should_be_is_an_input_error(self, tmp_path):
        (tmp_path / "run").write_text("a file")
        with pytest.raises(InputError, match=r"run/best\.toml: cannot be written \((File exists|Not a directory)\)"):
            write_text(tmp_path / "run" / "best.toml", "text")
        assert (tmp_path / "run").read_text() == "a file"

    def test_a_folder_in_the_place_of_the_file_is_an_input_error(self, tmp_path):
        (tmp_path / "best.toml").mkdir()
        with pytest.raises(InputError, match=r"best\.toml: cannot be written \(Is a directory\)"):
            write_text(tmp_path / "best.toml", "text")
        assert names(tmp_path) == ["best.toml"]

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
    def test_an_unwritable_folder_is_an_input_error(self, tmp_path):
        tmp_path.chmod(0o500)
        try:
            with pytest.raises(InputError, match=r"best\.toml: cannot be written \(Permission denied\)"):
                write_text(tmp_path / "best.toml", "text")
        finally:
            tmp_path.chmod(0o700)

    def test_others_may_read_what_was_written(self, tmp_path):
        write_text(tmp_path / "points.csv", "text")
        assert stat.S_IMODE((tmp_path / "points.csv").stat().st_mode) == 0o644


def written_in_vain(folder):
    """Two files of which the second fails."""
    with together():
        write_text(folder / "one", "new")
        interrupted(folder / "two", OSError(28, "No space left on device"))


class TestTogether:
    def test_files_take_their_places_when_all_are_written(self, tmp_path):
        (tmp_path / "one").write_text("old")
        with together():
            write_text(tmp_path / "one", "new")
            write_text(tmp_path / "in" / "two", "new")
            assert (tmp_path / "one").read_text() == "old"
            assert not (tmp_path / "in" / "two").exists()
        assert (tmp_path / "one").read_text() == (tmp_path / "in" / "two").read_text() == "new"
        assert names(tmp_path) == ["in", "one"]
        write_text(tmp_path / "one", "newer")
        assert (tmp_path / "one").read_text() == "newer", "outside the block nothing waits"

    def test_a_failure_leaves_all_old_files_and_no_temporary(self, tmp_path):
        (tmp_path / "one").write_text("old")
        with pytest.raises(InputError, match="two: cannot be written: the disk is full"):
            written_in_vain(tmp_path)
        assert names(tmp_path) == ["one"]
        assert (tmp_path / "one").read_text() == "old"

    def test_a_place_that_cannot_be_taken_is_told(self, tmp_path):
        (tmp_path / "one").mkdir()
        with pytest.raises(InputError, match=r"one: cannot be written \(Is a directory\)"), together():
            write_text(tmp_path / "one", "new")
        assert names(tmp_path) == ["one"]


class TestCheckFolder:
    def test_a_folder_that_is_there_or_can_be_made_is_in_order_and_is_not_made(self, tmp_path):
        check_folder(tmp_path)
        check_folder(tmp_path / "a" / "b")
        assert names(tmp_path) == []

    @pytest.mark.parametrize("below", ["", "sub", "sub/sub"])
    def test_a_file_in_its_place_or_above_it_is_named(self, tmp_path, below):
        (tmp_path / "afile").write_text("")
        with pytest.raises(InputError, match=r"afile: is a file, not a folder\. Choose another --out"):
            check_folder(tmp_path / "afile" / below)

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
    def test_a_folder_that_may_not_be_written_is_refused(self, tmp_path):
        tmp_path.chmod(0o500)
        try:
            with pytest.raises(InputError, match=r"cannot be written \(Permission denied\)"):
                check_folder(tmp_path / "out")
        finally:
            tmp_path.chmod(0o700)


class TestText:
    def test_text_comes_back_as_it_was_written(self, tmp_path):
        path = tmp_path / "design.toml"
        write_text(path, 'name = "größer"\nsecond\n')
        assert read_text(path) == 'name = "größer"\nsecond\n'
        assert path.read_bytes() == 'name = "größer"\nsecond\n'.encode(), "UTF-8 with unix line ends everywhere"

    def test_a_missing_file_is_named(self, tmp_path):
        path = tmp_path / "design.toml"
        with pytest.raises(InputError) as caught:
            read_text(path)
        assert str(caught.value) == (
            f"{path}: cannot be read (No such file or directory). Check the path and its permissions"
        )

    def test_a_folder_is_not_a_file(self, tmp_path):
        with pytest.raises(InputError, match=r"cannot be read \(Is a directory\)"):
            read_text(tmp_path)

    def test_text_that_is_not_utf8_is_refused_with_the_remedy(self, tmp_path):
        path = tmp_path / "design.toml"
        path.write_bytes('name = "größer"'.encode("latin-1"))
        with pytest.raises(InputError) as caught:
            read_text(path)
        assert str(caught.value) == f"{path}: is not UTF-8 text. Save it as UTF-8"
