"""A measurement to JSON and back, and what is no measurement."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from controller.artwork.result import ArtworkMeasure, LinePlace
from controller.errors import RefusedError
from controller.texts import Message

MEASURE = ArtworkMeasure(
    area_mm2=100.0,
    area_uncertainty_mm2=0.1,
    edge_mm=40.0,
    edge_uncertainty_mm=0.2,
    growth_mm2=((0.0, 100.0), (0.5, 120.0), (1.0, 143.0)),
    growth_uncertainty_mm2=((0.0, 0.1), (0.5, 0.2), (1.0, 0.3)),
    width_mm=50.0,
    height_mm=30.0,
    open_fraction=1 / 15,
    open_fields=2,
    narrowest_resist=LinePlace(10.0, 5.0, 0.2),
    narrowest_open=None,
    undercut_mm=0.2,
    lost_lines=(LinePlace(10.0, 5.0, 0.2, 3.0),),
    lost_line_count=1,
    copies=1,
    inverted=False,
    threshold_level=127.5,
    quality="grey",
    file_format="PNG",
    page=1,
    width_px=1181,
    height_px=709,
    dpi=600.0,
    grid_dpi=600.0,
    scale_source=Message("artwork.scale_source.dpi_given"),
    sha256="0" * 64,
    version="1",
    warnings=(Message("artwork.file.one_page_of", {"page": 1, "pages": 3}),),
)


def test_json_round_trip() -> None:
    assert ArtworkMeasure.from_json(MEASURE.to_json()) == MEASURE
    assert (
        ArtworkMeasure.from_json(
            replace(MEASURE, narrowest_resist=None, undercut_mm=None).to_json()
        ).narrowest_resist
        is None
    )


def test_json_keys_for_scripts() -> None:
    """JSON has the keys that scripts read."""
    table = json.loads(MEASURE.to_json())
    assert table["area_mm2"] == 100.0
    assert table["growth_mm2"][1] == [0.5, 120.0]
    assert table["narrowest_resist_mm"] == 0.2
    assert table["narrowest_open_mm"] is None
    assert table["lost_lines"] == [{"x_mm": 10.0, "y_mm": 5.0, "width_mm": 0.2, "length_mm": 3.0}]
    assert {
        "edge_mm",
        "width_mm",
        "height_mm",
        "area_uncertainty_mm2",
        "edge_uncertainty_mm",
        "growth_uncertainty_mm2",
    } <= set(table)


def test_shown_texts_are_sentences() -> None:
    """Scripts and the page get sentences; the stored form keeps keys and values."""
    shown = MEASURE.to_shown_dict()
    assert shown["scale_source"] == "dpi given"
    assert shown["warnings"] == ["The file has 3 pages. Page 1 was measured."]
    assert (
        MEASURE.to_dict()
        | {
            "scale_source": "dpi given",
            "warnings": ["The file has 3 pages. Page 1 was measured."],
        }
        == shown
    )


def test_older_texts_are_refused() -> None:
    """A stored measurement with a sentence in place of a message is measured again."""
    with pytest.raises(RefusedError):
        ArtworkMeasure.from_json(json.dumps(MEASURE.to_shown_dict()))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        "null",
        MEASURE.to_json().replace("100.0", '"100.0"'),
        MEASURE.to_json().replace("120.0", "NaN"),
        MEASURE.to_json().replace('"copies": 1', '"copies": true'),
        MEASURE.to_json().replace('"quality": "grey"', '"quality": 3'),
        MEASURE.to_json().replace('"edge_mm"', '"edge"'),
        MEASURE.to_json().replace("[0.5, 120.0]", "[0.5]"),
        MEASURE.to_json().replace('"lost_lines": [{', '"lost_lines": [{"z_mm": 1, '),
        MEASURE.to_json().replace('"length_mm": 3.0', '"length_mm": "3.0"'),
        MEASURE.to_json().replace('{"x_mm": 10.0', '{"x_mm": {}'),
        MEASURE.to_json().replace("0" * 64, "../../restore-staged"),
        MEASURE.to_json().replace("0" * 64, "0" * 63 + "A"),
        MEASURE.to_json().replace("0" * 64, "0" * 64 + "\\n"),
    ],
)
def test_other_texts_are_no_measurement(text: str) -> None:
    with pytest.raises(RefusedError) as refused:
        ArtworkMeasure.from_json(text)
    assert refused.value.message.key.startswith("artwork.result.")


def test_growth_interpolated_inside_curve() -> None:
    """Growth is interpolated inside its curve only."""
    assert MEASURE.grown_mm2(0.0) == 100.0
    assert MEASURE.grown_mm2(0.25) == pytest.approx(110.0)
    assert MEASURE.grown_mm2(1.0) == 143.0
    with pytest.raises(RefusedError) as refused:
        MEASURE.grown_mm2(1.01)
    assert refused.value.message == Message(
        "artwork.result.beyond_curve", {"s_mm": 1.01, "end_mm": 1.0}
    )
