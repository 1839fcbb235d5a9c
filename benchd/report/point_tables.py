"""A test's operating points as tables that fill the page's width. It must never leave a number out."""

from collections.abc import Sequence

from benchd.report import soft
from benchd.report.blocks import SMALLEST_PT, Block, Column, heading, paragraphs, rows
from benchd.report.findings import Found, PointFound, TestFound
from benchd.report.numbers import brief, plain, unit_text, with_unit
from benchd.report.words import capital, split_unit, words

PAGE_LETTERS = 126  # digits that a table row holds in the smallest type
ASKED_LETTERS, DIRECTION_LETTERS, NUMBER_LETTERS, BETWEEN_LETTERS = 9, 7, 4, 2
UPRIGHT_POINTS, UPRIGHT_NAMES = 4, 6  # few points with many names: a row a name
BESIDE_POINTS = 3  # and so few that two such tables stand beside each other
WHOLE_POINTS = 20  # a table of no more of them stands on one page
CAPTION = (
    "Means over each point; the number in parentheses is the standard uncertainty (k = 1) in the value's last digits "
    "(JCGM 100, 7.2.2)."
)
BRANCHES = {"up": "rising", "down": "falling"}


def point_tables(test: TestFound) -> list[Block]:
    """The heading and the tables; a sentence where there was no evaluation, nothing where there are no points."""
    if not test.points:
        if not test.evaluated:
            return [paragraphs("This test was not evaluated: there are no results of it.")]
        return []
    upright = len(test.points) <= UPRIGHT_POINTS and len(test.units) > UPRIGHT_NAMES
    tables = [_row_a_name(test)] if upright else _row_a_point(test)
    return [heading("Operating points"), *tables]


def _row_a_name(test: TestFound) -> Block:
    cells = [
        [capital(words(name)), unit_text(unit), *(_found(point.values.get(name)) for point in test.points)]
        for name, unit in test.units.items()
    ]
    asked = [_asked_words(point) for point in test.points]
    alike = len(set(asked)) == 1  # what was asked once and for all stands at the head of the section
    columns = [
        Column(title="quantity", wide=1.0),
        Column(title="unit"),
        *(
            Column(title=f"point {point.number}", unit="" if alike else told, right=True)
            for point, told in zip(test.points, asked, strict=True)
        ),
    ]
    if len(test.points) <= BESIDE_POINTS:
        half = (len(cells) + 1) // 2
        rest = [*cells[half:], *([[""] * len(columns)] if len(cells) % 2 else [])]
        cells = [[*left, "", *right] for left, right in zip(cells[:half], rest, strict=True)]
        columns = [*columns, Column(title="", wide=0.06), *columns]
    return rows(columns, cells, size_pt=SMALLEST_PT, caption=CAPTION, whole=True)


def _asked_words(point: PointFound) -> str:
    """What was asked of a point and its branch, in one short line."""
    told = [BRANCHES.get(point.direction, point.direction)] if point.direction else []
    for name, value in point.asked.items():
        number = soft.number(value)
        told.append(with_unit(plain(number), split_unit(str(name))[1]) if number is not None else soft.text(value, "–"))
    return ", ".join(told)


def _row_a_point(test: TestFound) -> list[Block]:
    """As few tables as the page's width allows; the first one has what was asked."""
    asked = list(dict.fromkeys(str(key) for point in test.points for key in point.asked))
    with_direction = any(point.direction for point in test.points)
    taken = NUMBER_LETTERS + (DIRECTION_LETTERS if with_direction else 0)
    pieces = _pieces(test, taken=taken, taken_first=taken + ASKED_LETTERS * len(asked))
    close = len(pieces[0]) < 4 and len(pieces) == 1  # few columns stand closer than the page is wide
    blocks = []
    for number, piece in enumerate(pieces):
        said = asked if number == 0 else []
        columns = [
            Column(title="no.", right=True),
            *([Column(title="branch")] if with_direction else []),
            *(Column(title=f"asked {split_unit(name)[0]}", unit=split_unit(name)[1], right=True) for name in said),
            *(_column(test, name, close=close) for name in piece),
        ]
        cells = [_point(point, with_direction=with_direction, asked=said, names=piece) for point in test.points]
        last = number == len(pieces) - 1
        blocks.append(
            rows(
                columns,
                cells,
                size_pt=SMALLEST_PT,
                caption=CAPTION if last and test.units else "",
                whole=len(cells) <= WHOLE_POINTS,
            )
        )
    return blocks


def _column(test: TestFound, name: str, *, close: bool) -> Column:
    wide = 0.0 if close else float(_letters(test, name) + BETWEEN_LETTERS)
    return Column(title=words(name), unit=unit_text(test.units[name]), right=True, wide=wide)


def _point(point: PointFound, *, with_direction: bool, asked: Sequence[str], names: Sequence[str]) -> list[str]:
    return [
        str(point.number),
        *([BRANCHES.get(point.direction, point.direction or "–")] if with_direction else []),
        *(_asked(point.asked.get(name)) for name in asked),
        *(_found(point.values.get(name)) for name in names),
    ]


def _asked(value: object) -> str:
    number = soft.number(value)
    return plain(number) if number is not None else soft.text(value, "–")


def _found(found: Found | None) -> str:
    return "–" if found is None else brief(found.value, found.standard_uncertainty)


def _pieces(test: TestFound, *, taken: int, taken_first: int) -> list[list[str]]:
    """The names of each table's columns, in their order; tables of about one width."""
    names = list(test.units)
    widths = [BETWEEN_LETTERS + _letters(test, name) for name in names]
    for room in range(20, PAGE_LETTERS - taken + 1):  # the narrowest that needs no more tables than the widest
        pieces = _filled(names, widths, room=room, first=room - (taken_first - taken))
        if len(pieces) == len(_filled(names, widths, room=PAGE_LETTERS - taken, first=PAGE_LETTERS - taken_first)):
            return pieces
    return [names]


def _filled(names: Sequence[str], widths: Sequence[int], *, room: int, first: int) -> list[list[str]]:
    pieces: list[list[str]] = [[]]
    left = first
    for name, width in zip(names, widths, strict=True):
        if width > left and (pieces[-1] or len(pieces) == 1):
            pieces.append([])
            left = room
        pieces[-1].append(name)
        left -= width
    return pieces


def _letters(test: TestFound, name: str) -> int:
    """The letters that a column must be wide: its longest number, or the longest word above it."""
    longest_word = max(map(len, words(name).split()), default=0)
    return max(round(0.9 * longest_word), *(len(_found(point.values.get(name))) for point in test.points))
