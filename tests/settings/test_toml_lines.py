"""The locator against texts that know their own lines, and against tomllib reading ever longer beginnings."""

import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.settings.toml_lines import KeyPath, Repeat, Unfinished, locate

# --- examples, each a trap of its own


def lines_of(text: str) -> dict[KeyPath, int]:
    tomllib.loads(text)  # every example is valid TOML
    return dict(locate(text).of)


def test_keys_tables_and_arrays_of_tables_have_the_line_where_they_stand() -> None:
    text = "a = 1\n\n# b = 2\n[c]\nd = 3\n[[e]]\nf = 4\n[[e]]\n\nf = 5\n[e.g]\nh = 6\n"
    assert lines_of(text) == {
        ("a",): 1,
        ("c",): 4,
        ("c", "d"): 5,
        ("e",): 6,
        ("e", 0): 6,
        ("e", 0, "f"): 7,
        ("e", 1): 8,
        ("e", 1, "f"): 10,
        ("e", 1, "g"): 11,
        ("e", 1, "g", "h"): 12,
    }


def test_an_array_of_tables_inside_another_belongs_to_the_last_item() -> None:
    text = "[[a]]\n[[a.b]]\nx = 1\n[[a.b]]\nx = 2\n[[a]]\n[[a.b]]\nx = 3\n[a.b.c]\ny = 4\n"
    found = lines_of(text)
    assert found["a", 0, "b", 1, "x"] == 5
    assert found["a", 1, "b", 0, "x"] == 8
    assert found["a", 1, "b", 0, "c", "y"] == 10


def test_a_tables_own_header_counts_more_than_an_earlier_mention() -> None:
    assert lines_of("[a.b]\nx = 1\n[a]\ny = 2\n")["a",] == 3


def test_dotted_and_quoted_keys_are_taken_apart_as_tomllib_does() -> None:
    text = 'a . "b.c" . \'d"e\' = 1\n["f\\u0020g" . h]\n"" = 2\n3.14 = 4\n'
    assert lines_of(text) == {
        ("a",): 1,
        ("a", "b.c"): 1,
        ("a", "b.c", 'd"e'): 1,
        ("f g",): 2,
        ("f g", "h"): 2,
        ("f g", "h", ""): 3,
        ("f g", "h", "3"): 4,
        ("f g", "h", "3", "14"): 4,
    }


def test_items_of_a_list_over_several_lines_have_their_own_lines() -> None:
    text = "a = [ # one ]\n  1,\n\n  [2,\n  3], # two\n  { b = 4, c.d = [5,\n 6] },\n]\ne = 7\n"
    assert lines_of(text) == {
        ("a",): 1,
        ("a", 0): 2,
        ("a", 1): 4,
        ("a", 1, 0): 4,
        ("a", 1, 1): 5,
        ("a", 2): 6,
        ("a", 2, "b"): 6,
        ("a", 2, "c"): 6,
        ("a", 2, "c", "d"): 6,
        ("a", 2, "c", "d", 0): 6,
        ("a", 2, "c", "d", 1): 7,
        ("e",): 9,
    }


@pytest.mark.parametrize(
    "value",
    [
        '"""\n[no]\nx = 1\n"""',
        '"""a""""',  # ends with one quote of its own
        '"""a"""""',  # and with two
        '""""""',
        '"""\\"""\n"""',
        '"""a ""b" \\\\"""',
        "'''\n[no]\\'''",
        "''''a'''''",
        '"\\" # ] = \\\\"',
        "'\\'",
        '"[x]\\n[y]"',
        "1979-05-27 07:32:00Z",
        "07:32:00",
        "0x1F",
        "[[[]], [\n]]",
        "[1, 2,]",
        "{}",
        '{ "}" = "{", b = [ "]",\n] }',
    ],
)
def test_whatever_the_value_the_next_key_is_found(value: str) -> None:
    text = f"before = {value} # after = 1\nafter = 2\n"
    found = lines_of(text)
    assert found["before",] == 1
    assert found["after",] == 2 + value.count("\n")


def test_only_line_feeds_count_as_lines() -> None:
    text = "a = '\u2028\x85\u2029'\r\nb = '''\r\n'''\r\nc = 1"
    found = lines_of(text)
    assert found["b",] == 2
    assert found["c",] == 4


def test_a_path_that_is_not_there_has_the_line_of_the_table_around_it() -> None:
    lines = locate("x = 1\n[a]\nb = 1\n")
    assert lines.line(("a", "missing")) == 2
    assert lines.line(("nothing", "at", "all")) == 1
    assert lines.line(()) == 1


@pytest.mark.parametrize(
    ("text", "path", "first", "second"),
    [
        ("a = 1\nb = 2\na = 3\n", ("a",), 1, 3),
        ("[a]\n[b]\n[a]\n", ("a",), 1, 3),
        ("[[a]]\n[a]\n", ("a",), 1, 2),
        ("[a]\n\n[[a]]\n", ("a",), 1, 3),
        ("a.b = 1\na.b = 2\n", ("a", "b"), 1, 2),
        ("a = 1\na.b = 2\n", ("a",), 1, 2),
        ("a = 1\n[a.b]\n", ("a",), 1, 2),
        ("a.b = 1\n\n[a]\n", ("a",), 1, 3),
        ("x = { a = 1,\n", None, 0, 0),
        ("[t]\nx = { a = 1, a = 2 }\n", ("t", "x", "a"), 2, 2),
    ],
)
def test_what_is_defined_twice_is_named_with_both_lines(
    text: str, path: KeyPath | None, first: int, second: int
) -> None:
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(text)
    assert locate(text).repeats[:1] == (() if path is None else (Repeat(path, first, second),))


@pytest.mark.parametrize(
    ("text", "unfinished"),
    [
        ("a = 1\nb = [1,\n2\n", Unfinished("a list", 2)),
        ("a = [ { b = 1\n", Unfinished("an inline table", 1)),
        ('a = 1\n\nb = """\nc = 2\n', Unfinished("a text in triple quotes", 3)),
        ("b = '''\n''\n", Unfinished("a text in triple quotes", 1)),
        ('a = 1\nb = "c\nd = 2\n', Unfinished("a text in quotes", 2)),
        ("a = 1 2 3\nb == 4\n", None),
    ],
)
def test_what_never_ends_is_named_with_the_line_where_it_begins(text: str, unfinished: Unfinished | None) -> None:
    assert locate(text).unfinished == unfinished


def test_a_long_unfinished_text_is_given_up_at_once() -> None:
    # a pattern that tried every split of this would never return
    assert locate('a = """' + 'x"\\"' * 20_000).unfinished == Unfinished("a text in triple quotes", 1)


# --- texts that know their own lines

UNHURRIED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no defect
NASTY = st.text(alphabet="ab#\"'[]{}=,.\\\n\t \u2028\x85é", max_size=8)
KEYS = st.one_of(
    st.text(alphabet="abcXYZ019_-", min_size=1, max_size=3),
    st.text(alphabet="ab.# =[]\"'\\\n", max_size=3),
)
PLAIN = st.sampled_from(["1", "-2.5e3", "true", "0x1F", "1_000", "1979-05-27", "1979-05-27 07:32:00", "07:32:00.5"])


class Writer:
    """Writes TOML and keeps the line at which each path was written."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.text = ""
        self.line = 1
        self.expected: dict[KeyPath, int] = {}

    def put(self, text: str) -> None:
        self.text += text
        self.line += text.count("\n")

    def space(self) -> None:
        self.put(self.draw(st.sampled_from(["", "", " ", "\t "])))

    def blank(self) -> None:
        self.put(self.draw(st.sampled_from(["", "", "\n", " # [x] = '\"\n", "\n\n\t"])))

    def end(self) -> None:
        self.put(self.draw(st.sampled_from(["\n", "\n", " # a = \"'[\n", "\n  \n"])))

    def key(self, key: str) -> None:
        bare = bool(key) and all(c.isascii() and (c.isalnum() or c in "_-") for c in key)
        if bare and self.draw(st.booleans()):
            self.put(key)
        elif "'" not in key and "\n" not in key and self.draw(st.booleans()):
            self.put(f"'{key}'")
        else:
            escaped = key.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
            self.put(f'"{escaped}"')

    def dotted(self, keys: list[str]) -> None:
        for place, key in enumerate(keys):
            if place:
                self.space()
                self.put(".")
                self.space()
            self.key(key)

    def string(self) -> None:
        raw = self.draw(NASTY)
        style = self.draw(st.sampled_from(['"', "'", '"""', "'''"]))
        if style == '"':
            raw = raw.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
        elif style == "'":
            raw = raw.replace("'", "").replace("\n", "")
        else:
            if style == '"""':
                raw = raw.replace("\\", "\\\\")
            while style in raw:
                raw = raw.replace(style, style[:2])
        self.put(f"{style}{raw}{style}")

    def value(self, path: KeyPath, depth: int) -> None:
        kind = self.draw(st.sampled_from(["plain", "string", "list", "inline"] if depth else ["plain", "string"]))
        if kind == "plain":
            self.put(self.draw(PLAIN))
        elif kind == "string":
            self.string()
        elif kind == "list":
            count = self.draw(st.integers(0, 3))
            self.put("[")
            self.blank()
            for place in range(count):
                self.expected[*path, place] = self.line
                self.value((*path, place), depth - 1)
                self.blank()
                if place < count - 1 or self.draw(st.booleans()):
                    self.put(",")
                    self.blank()
            self.put("]")
        else:
            self.put("{ ")
            for place, key in enumerate(self.draw(st.lists(KEYS, max_size=2, unique=True))):
                self.put(", " if place else "")
                self.pair(path, [key], depth - 1)
            self.put(" }")

    def pair(self, table: KeyPath, keys: list[str], depth: int) -> None:
        for length in range(1, len(keys) + 1):
            self.expected[*table, *keys[:length]] = self.line
        self.dotted(keys)
        self.space()
        self.put("=")
        self.space()
        self.value((*table, *keys), depth)

    def body(self, table: KeyPath, headers: list[str], depth: int) -> None:
        """Keys of a table, then its subtables; `headers` are the keys of the table as its headers write them."""
        names = self.draw(st.lists(KEYS, max_size=4, unique=True))
        cut = self.draw(st.integers(0, len(names)))
        for name in names[:cut]:
            below = self.draw(st.lists(KEYS, max_size=2))
            self.pair(table, [name, *below], 2)
            self.end()
        if not depth:
            return
        for name in names[cut:]:
            count = self.draw(st.integers(0, 2))
            path = (*table, name)
            self.expected[path] = self.line
            if not count:
                self.header("[", [*headers, name], "]")
                self.body(path, [*headers, name], depth - 1)
            for place in range(count):
                self.expected[*path, place] = self.line
                self.header("[[", [*headers, name], "]]")
                self.body((*path, place), [*headers, name], depth - 1)

    def header(self, before: str, keys: list[str], after: str) -> None:
        self.put(before)
        self.space()
        self.dotted(keys)
        self.space()
        self.put(after)
        self.end()


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[KeyPath, int]]:
    writer = Writer(draw)
    writer.body((), [], 2)
    text = writer.text
    if draw(st.booleans()):
        text = text.replace("\n", "\r\n")
    if draw(st.booleans()):
        text = text.removesuffix("\n").removesuffix("\r")
    return text, writer.expected


def paths_in(value: object, path: KeyPath = ()) -> set[KeyPath]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {below for step, one in inner for below in ({(*path, step)} | paths_in(one, (*path, step)))}


@given(documents())
@settings(UNHURRIED, max_examples=60)
def test_every_path_has_the_line_at_which_it_was_written(document: tuple[str, dict[KeyPath, int]]) -> None:
    text, expected = document
    found = locate(text)
    assert found.of == expected
    assert set(found.of) == paths_in(tomllib.loads(text))
    assert found.repeats == ()
    assert found.unfinished is None


@given(documents())
@settings(UNHURRIED, max_examples=20)
def test_a_path_appears_to_tomllib_once_its_line_is_read_and_not_before(
    document: tuple[str, dict[KeyPath, int]],
) -> None:
    text, _ = document
    rows = text.split("\n")
    readable: list[tuple[int, set[KeyPath]]] = []
    for count in range(len(rows) + 1):
        try:
            readable.append((count, paths_in(tomllib.loads("\n".join(rows[:count]).removesuffix("\r")))))
        except tomllib.TOMLDecodeError:
            continue
    for path, line in locate(text).of.items():
        assert all(path not in paths for count, paths in readable if count < line)
        assert path in next(paths for count, paths in readable if count >= line)


@given(documents(), st.data())
@settings(UNHURRIED, max_examples=20)
def test_a_text_cut_anywhere_gives_the_lines_before_the_cut(
    document: tuple[str, dict[KeyPath, int]], data: st.DataObject
) -> None:
    text, expected = document
    cut = data.draw(st.integers(0, len(text)))
    rows = text.count("\n", 0, cut)
    found = locate(text[:cut])
    before_the_last_row = {path for path, line in expected.items() if line <= rows}
    assert {path: expected[path] for path in before_the_last_row} == {
        path: line for path, line in found.of.items() if path in before_the_last_row
    }


@given(st.text(alphabet="ab.=[]{}\"'#\n\\, 1", max_size=40))
@settings(UNHURRIED, max_examples=150)
def test_no_text_whatever_makes_it_raise_or_name_a_line_that_is_not_there(text: str) -> None:
    found = locate(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in found.of.values())
    try:
        parsed = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert set(found.of) == paths_in(parsed)
