"""Files that cannot be read at all, each with one sentence that says which, where and what to do."""

from pathlib import Path

import pytest

from benchd.settings.document import read_document
from benchd.settings.load import SettingsError


def refused(path: Path) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        read_document(path)
    return caught.value


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path / "a.toml"


def test_a_sound_file_gives_its_data_without_the_schema_number_and_origins(file: Path) -> None:
    file.write_text("schema = 1\n[rated]\nvoltage_v = 24\n")
    document = read_document(file)
    assert document.data == {"rated": {"voltage_v": 24}}
    assert document.origin(("rated", "voltage_v")) == "a.toml:3 rated.voltage_v"


def test_a_file_elsewhere_is_shown_with_its_whole_path(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file.write_text("schema = 1\n")
    monkeypatch.chdir("/")
    assert read_document(file).origin(("x",)).startswith(str(file).lstrip("/"))
    monkeypatch.chdir("/usr")
    assert read_document(file).origin(("x",)).startswith(f"{file}:1 x")


def test_a_missing_file_is_told(file: Path) -> None:
    error = refused(file)
    assert error.sentence == "a.toml does not exist; check the name, or copy an example from configs."
    assert (error.file, error.key, error.line) == (file, "", 0)


def test_a_directory_is_told(file: Path) -> None:
    assert refused(file.parent).sentence.endswith("is a directory; name a file inside it.")


def test_a_path_below_a_file_and_a_name_that_is_none_are_told(file: Path) -> None:
    file.write_text("schema = 1\n")
    assert "not a directory" in refused(file / "b.toml").sentence
    assert "is not a file name" in refused(Path("a\0b")).sentence
    assert "cannot be read (file name too long)" in refused(Path("a" * 5000)).sentence


def test_a_file_that_is_not_utf_8_is_told_with_the_line_of_the_first_wrong_byte(file: Path) -> None:
    file.write_bytes("schema = 1\nname = 'K\u00fchlung'\n".encode("latin-1"))
    error = refused(file)
    assert error.sentence == "a.toml:2 is not UTF-8 text; save it in the UTF-8 encoding."
    assert error.line == 2


def test_a_byte_order_mark_is_told(file: Path) -> None:
    file.write_bytes(b"\xef\xbb\xbfschema = 1\n")
    assert "byte order mark" in refused(file).sentence


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("schema = 1\nx = \n", "a.toml:2 is not valid TOML (invalid value); correct this line."),
        ("schema = 1\n\nx 2\n", "a.toml:3 is not valid TOML (expected '=' after a key in a key/value pair); correct"),
        ("schema = 1\n[x\n", "a.toml:2 is not valid TOML"),
        ("schema = 1\nx = 'a'", None),
        ("schema = 1\nx = 1.\n", "a.toml:2 is not valid TOML"),
        ("schema = 1\nx", "a.toml:2 is not valid TOML"),
        ("schema = 1\na = [1,\n2\n", "a.toml:2 begins a list that does not end; close it."),
        ('schema = 1\na = "b\nc = 2\n', "a.toml:2 begins a text in quotes that does not end; close it."),
        ('schema = 1\na = """b\nc = 2\n', "a.toml:2 begins a text in triple quotes that does not end; close it."),
        ("schema = 1\na = 1\n\na = 2\n", "a.toml:4 a is there a second time (first in line 2); keep one."),
        ("schema = 1\n[a.b]\n[c]\n[a.b]\n", "a.toml:4 a.b is there a second time (first in line 2); keep one."),
        ("schema = 1\n[t]\nx = { a = 1, a = 2 }\n", "a.toml:3 t.x.a is there a second time (first in line 3); keep"),
        ("schema = 1\nx = 0000-00-00\n", "a.toml"),
        ("schema = 1\nx = 2026-02-30\n", "a.toml:2 is not valid TOML"),
        (f"schema = 1\nx = {'1' * 5000}\n", "a.toml holds a number or date that cannot be read"),
        (f"schema = 1\nx = {'[' * 20_000}\n", "a.toml nests lists or tables too deeply; flatten them."),
    ],
)
def test_a_file_that_is_not_toml_is_told_with_the_line(file: Path, text: str, sentence: str | None) -> None:
    file.write_text(text)
    if sentence is None:
        read_document(file)
        return
    error = refused(file)
    assert error.sentence.startswith(sentence)
    assert "\n" not in error.sentence


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x = 1\n", "a.toml:1 schema is missing; begin the file with schema = 1."),
        ("\nschema = 2\n", "a.toml:2 schema is 2, but this benchd reads files up to schema 1; update benchd"),
        ("schema = 0\n", "a.toml:1 schema must be a whole number from 1"),
        ("schema = true\n", "a.toml:1 schema must be a whole number from 1"),
        ('schema = "1"\n', "a.toml:1 schema must be a whole number from 1"),
        ("[schema]\n", "a.toml:1 schema must be a whole number from 1"),
    ],
)
def test_a_schema_that_is_not_known_is_told(file: Path, text: str, says: str) -> None:
    file.write_text(text)
    error = refused(file)
    assert error.sentence.startswith(says)
    assert error.key == "schema"


def test_numbers_that_are_none_are_told_wherever_they_stand(file: Path) -> None:
    file.write_text("schema = 1\na = [1.0,\n[nan]]\nb = { c = -inf }\n")
    error = refused(file)
    assert error.sentence.startswith("a.toml:3 a item 1 is nan and must be a finite number;")
    assert error.sentence.endswith("(and 1 more problem in this file).")
