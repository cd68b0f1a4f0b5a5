"""Where labels go on a paper or a roll, in millimetres."""

from __future__ import annotations

from typing import Any

import pytest

from pinwright.errors import UsageError
from pinwright.sheets.stock import EDGE_MM, PAPERS, a_pair, fitting_stock


def test_a_grid_with_margin_and_gap_lies_where_a_ruler_says() -> None:
    stock = fitting_stock(size=(63.5, 38.1), grid=(3, 7), margin=(7.2, 15.1), gap=(2.5, 0))
    assert ((210.0, 297.0), 21) == (stock.page, stock.on_a_page)
    places = list(stock.places())
    assert [(7.2, 15.1), (73.2, 15.1), (139.2, 15.1)] == [pytest.approx(place) for place in places[:3]]
    assert pytest.approx((139.2, 15.1 + 6 * 38.1)) == places[-1]


@pytest.mark.parametrize(
    ("asked", "grid"),
    [
        ({}, (4, 11)),  # 210 - 10 and 297 - 10 in labels of 50 x 25
        ({"paper": PAPERS["letter"]}, (4, 10)),
        ({"gap": (5.0, 2.0)}, (3, 10)),
        ({"margin": (0.0, 0.0)}, (4, 11)),
        ({"margin": (9.9, 22.0)}, (4, 11)),  # 209.9 and 297: up to the very edge, for somebody measured it
        ({"margin": (10.1, 22.1)}, (3, 10)),
        ({"size": (205.0, 290.0)}, (1, 1)),  # less white at the edges than printers want, and yet it fits
        ({"size": (30.0, 20.0), "flag": 20.0}, (2, 14)),
    ],
)
def test_without_a_grid_there_are_as_many_as_fit(asked: dict[str, Any], grid: tuple[int, int]) -> None:
    stock = fitting_stock(**asked)
    assert grid == (stock.columns, stock.rows)


@pytest.mark.parametrize(
    "asked", [{}, {"grid": (2, 3)}, {"gap": (3.0, 4.0)}, {"flag": 30.0, "size": (40.0, 15.0)}]
)
def test_without_a_margin_the_labels_are_in_the_middle(asked: dict[str, Any]) -> None:
    stock = fitting_stock(**asked)
    (left, top), *_, (x, y) = stock.places()
    width, height = stock.label
    assert pytest.approx((left, top)) == (210 - x - width, 297 - y - height)
    assert min(left, top) >= EDGE_MM


def test_a_flag_is_twice_as_wide_and_what_goes_round() -> None:
    assert (80.0, 20.0) == fitting_stock(size=(30, 20), flag=20).label
    assert (50.0, 25.0) == fitting_stock().label


def test_a_page_of_a_roll_is_a_label() -> None:
    stock = fitting_stock(roll=True, size=(62, 29))
    assert ((62, 29), [(0.0, 0.0)]) == (stock.page, list(stock.places()))
    assert (134.0, 29) == fitting_stock(roll=True, size=(62, 29), flag=10).page


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (
            {"grid": (5, 2)},
            "5 columns of labels 50 mm wide take 250 mm, margin and gaps with them, and the paper is 210 mm "
            "wide; 4 would fit",
        ),
        ({"grid": (3, 12)}, "12 rows of labels 25 mm high take 300 mm"),
        ({"grid": (4, 2), "margin": (11.0, 0.0)}, "4 columns of labels 50 mm wide take 211 mm"),
        ({"grid": (4, 2), "gap": (4.0, 0.0)}, "take 212 mm"),
        ({"size": (211.0, 20.0)}, "1 column of labels 211 mm wide take 211 mm"),
        ({"size": (211.0, 20.0)}, "none would fit"),
        ({"size": (100.0, 20.0), "flag": 11.0}, "1 column of labels 211 mm wide"),
        ({"grid": (0, 3)}, "4 would fit"),
        ({"skip": 44}, "`--skip 44` leaves nothing of a sheet of 4 x 11 labels; it can be 43 at most"),
        ({"roll": True, "grid": (3, 3)}, "`--grid` is about sheets, and `--roll` asks for none"),
        ({"roll": True, "skip": 1}, "`--skip` is about sheets"),
        ({"roll": True, "paper": (100.0, 100.0)}, "`--paper` is about sheets"),
    ],
)
def test_what_does_not_fit_is_refused_with_what_would(asked: dict[str, Any], told: str) -> None:
    with pytest.raises(UsageError) as refused:
        fitting_stock(**asked)
    assert told in refused.value.message


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("50x25", (50.0, 25.0)),
        ("63.5X38.1", (63.5, 38.1)),
        ("0x0", (0.0, 0.0)),
        ("2000x1", (2000.0, 1.0)),
        ("50×25", (50.0, 25.0)),
        *(
            (text, None)
            for text in ("", "50", "50x", "x25", "-1x5", "1e3x5", "nanx1", "50 x 25", "2001x1", "٣x٣")
        ),
        *((text, None) for text in ("50x25x1", "50,5x25", "infx1", "50x25\n")),
    ],
)
def test_two_numbers_are_read_strictly(text: str, pair: tuple[float, float] | None) -> None:
    assert pair == a_pair(text)
