"""The charts of the gear page as Vega-Lite, without their numbers.

Each draws from the data set `rows`, which the page recounts. Colours stand as `$ink` and the
like: the page puts its own in, a saved chart gets those for white paper. Nothing is told by
colour alone: rates by place, kinds by shape and by filled against hollow.
"""

from __future__ import annotations

from typing import Any

Spec = dict[str, Any]

_PERCENT = {"format": ".0%"}
_CELL_WIDTH, _CELL_HEIGHT = 112, 46
_DOT = {"type": "point", "filled": True, "size": 55, "opacity": 1, "color": "$ink"}
_SPAN = {"type": "rule", "strokeWidth": 2, "color": "$soft"}

CONFIG: Spec = {
    "background": "$paper",
    "font": "system-ui, sans-serif",
    "view": {"stroke": "$line"},
    "title": {
        "color": "$ink",
        "subtitleColor": "$soft",
        "anchor": "start",
        "fontSize": 15,
        "subtitleFontSize": 12,
        "subtitlePadding": 4,
    },
    "axis": {
        "domainColor": "$line",
        "tickColor": "$line",
        "gridColor": "$line",
        "labelColor": "$soft",
        "titleColor": "$soft",
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
    },
    "header": {
        "labelColor": "$ink",
        "titleColor": "$soft",
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
    },
    "legend": {"labelColor": "$ink", "titleColor": "$soft", "labelFontSize": 12},
}


def _rate(field: str, title: str | None, **more: object) -> Spec:
    """A quantitative channel from 0 to 100 %."""
    return {
        "field": field,
        "type": "quantitative",
        "title": title,
        "scale": {"domain": [0, 1]},
        **more,
    }


_LENS_ROW: Spec = {
    "field": "lens",
    "type": "nominal",
    "title": None,
    "sort": {"field": "focal", "op": "min"},
    "header": {"labelAngle": 0, "labelAlign": "left", "labelLimit": 210},
}
"""A panel a lens, the widest on top."""


def cells() -> Spec:
    """Lens x exposure: in each cell the rate on a line from 0 to 100 %, its interval, its n.

    Rows: `lens`, `focal`, `setting`, `rate`, `low`, `high`, `words`; one for every lens with
    every exposure, since the panels are laid out in order: no rate where nothing was judged.
    """
    axis = {
        "values": [0, 0.5, 1],
        "labelExpr": "datum.value == 1 ? '100 %' : datum.value * 100",
        "labelFlush": True,
        "labelOverlap": False,
        "grid": True,
    }
    x = _rate("rate", None, axis=axis)
    line = {"value": _CELL_HEIGHT - 12}
    return {
        "facet": {
            "row": _LENS_ROW,
            "column": {
                "field": "setting",
                "type": "ordinal",
                "title": "exposure; dot: hit rate, line: 95 % interval, words: kept of judged",
                "header": {"labelExpr": "format(datum.value, '.4~g') + ' s'"},
            },
        },
        "spacing": {"row": 8, "column": 12},
        "spec": {
            "width": _CELL_WIDTH,
            "height": _CELL_HEIGHT,
            "layer": [
                {"mark": _SPAN, "encoding": {"x": {**x, "field": "low"}, "x2": {"field": "high"}}},
                {"mark": _DOT, "encoding": {"x": x}},
                {
                    "mark": {"type": "text", "fontSize": 12, "color": "$ink"},
                    "encoding": {
                        "text": {"field": "words"},
                        "x": {"value": _CELL_WIDTH / 2},
                        "y": {"value": 12},
                    },
                },
            ],
            "encoding": {
                "y": line,
                "tooltip": [
                    {"field": "lens"},
                    {"field": "setting", "title": "exposure, s"},
                    {"field": "words", "title": "kept"},
                    {"field": "low", "title": "95 % from", **_PERCENT},
                    {"field": "high", "title": "to", **_PERCENT},
                ],
            },
        },
        "resolve": {"axis": {"y": "independent"}},
    }


def curves() -> Spec:
    """Hit rate against scale x exposure, a panel a lens, with the model's band.

    Rows of the model (`kind` model): `lens`, `focal`, `path`, `rate`, `low`, `high`; of what was
    counted (`kind` seen) also `words`.
    """
    y = _rate("rate", "kept", axis={"format": ".0%", "tickCount": 3})
    x = {
        "field": "path",
        "type": "quantitative",
        "scale": {"type": "log", "nice": False},
        "axis": {"tickCount": 6, "format": "~s"},
        "title": "scale x exposure, as px that an untracked star at the equator would trail",
    }
    model, seen = ({"filter": f"datum.kind == '{kind}'"} for kind in ("model", "seen"))
    span = {"y": {**y, "field": "low"}, "y2": {"field": "high"}}
    return {
        "facet": {"row": _LENS_ROW},
        "spacing": 10,
        "spec": {
            "width": 560,
            "height": 90,
            "layer": [
                {
                    "transform": [model],
                    "mark": {"type": "area", "color": "$line", "opacity": 0.8},
                    "encoding": span,
                },
                {
                    "transform": [model],
                    "mark": {"type": "line", "color": "$ink", "strokeDash": [5, 3]},
                    "encoding": {"y": y},
                },
                {"transform": [seen], "mark": _SPAN, "encoding": span},
                {
                    "transform": [seen],
                    "mark": _DOT,
                    "encoding": {
                        "y": y,
                        "tooltip": [{"field": "lens"}, {"field": "words", "title": "kept"}],
                    },
                },
            ],
            "encoding": {"x": x},
        },
    }


def losses() -> Spec:
    """Minutes lost by cause, in full where it was alone at fault.

    Rows: `label`, `alone` and `shared` (minutes), `minutes`, `words`.
    """
    y = {
        "field": "label",
        "type": "nominal",
        "title": None,
        "sort": {"field": "minutes", "order": "descending"},
    }
    x = {"type": "quantitative", "title": "minutes of exposure lost", "axis": {"tickCount": 6}}
    return {
        "width": 560,
        "height": {"step": 30},
        "layer": [
            {
                "mark": {"type": "bar", "fill": "$paper", "stroke": "$ink", "size": 16},
                "encoding": {"x": {**x, "field": "minutes"}},
            },
            {
                "mark": {"type": "bar", "fill": "$ink", "size": 16},
                "encoding": {"x": {**x, "field": "alone"}},
            },
            {
                "mark": {"type": "text", "align": "left", "dx": 6, "color": "$ink", "fontSize": 12},
                "encoding": {"x": {**x, "field": "minutes"}, "text": {"field": "words"}},
            },
        ],
        "encoding": {"y": y, "tooltip": [{"field": "label"}, {"field": "words"}]},
    }


def nights() -> Spec:
    """Hit rate of each night in order. Rows: `night`, `rate`, `low`, `high`, `words`."""
    y = _rate("rate", "kept", axis={"format": ".0%", "tickCount": 5})
    x = {
        "field": "night",
        "type": "ordinal",
        "title": None,
        "axis": {"labelAngle": -60, "labelLimit": 170, "labelOverlap": True},
    }
    return {
        "width": 720,
        "height": 200,
        "layer": [
            {"mark": _SPAN, "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}}},
            {"mark": _DOT, "encoding": {"y": y}},
        ],
        "encoding": {
            "x": x,
            "tooltip": [{"field": "night"}, {"field": "words", "title": "kept"}],
        },
    }


def calibration() -> Spec:
    """Kept against foretold for left-out nights, from the rate `$from` up.

    Rows: `foretold`, `rate`, `low`, `high`.
    """
    axes = {"axis": {"format": ".0%", "tickCount": 6}, "scale": {"domain": ["$from", 1]}}
    x = _rate("foretold", "foretold from the other nights", **axes)
    y = _rate("rate", "kept", **axes)
    ends = {"values": [{"foretold": "$from", "rate": "$from"}, {"foretold": 1, "rate": 1}]}
    return {
        "width": 280,
        "height": 280,
        "layer": [
            {
                "data": ends,
                "mark": {"type": "line", "color": "$soft", "strokeDash": [2, 3]},
                "encoding": {"y": y},
            },
            {"mark": _SPAN, "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}}},
            {"mark": _DOT, "encoding": {"y": y}},
        ],
        "encoding": {"x": x},
    }


CHARTS = {
    "cells": cells,
    "curves": curves,
    "losses": losses,
    "nights": nights,
    "calibration": calibration,
}
