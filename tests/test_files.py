"""Files are whole or untouched, and errors of the surroundings become messages."""

from __future__ import annotations

import os
import stat

import pytest

from evenflare.files import InputError, read_text, replacing, write_text


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
            assert temporary.parent == tmp_path, "beside the file, so that the rename stays on one disk"
            assert temporary.suffix == ".toml", "writers choose their format by the suffix"
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
            f"{path}: cannot be written (No space left on device)."
            " Choose a folder you may write to, on a disk with free space"
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
