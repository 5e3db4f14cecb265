"""The charts of the gear page as Vega-Lite, without their numbers.

Each draws from the data set `rows`, which the page counts again. Colours stand as `$ink` and
the like, the width as `$width` and the lenses in their order as `$lenses`: the page puts its
own in, a saved chart gets those for white paper. Nothing is told by colour alone: rates by
place, kinds by shape and by filled against hollow. A mark that tells something has a name,
`told`, for who cannot see it; the others are hidden from them.
"""

from __future__ import annotations

from typing import Any

Spec = dict[str, Any]

_NAME = {"description": {"field": "told"}, "tooltip": {"field": "told"}}
_DOT = {"type": "point", "filled": True, "size": 55, "opacity": 1, "color": "$ink"}
_SPAN = {"type": "rule", "strokeWidth": 2, "color": "$soft", "aria": False}
_TEXT = {"type": "text", "align": "left", "fontSize": 12, "color": "$ink", "aria": False}
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
    # By name: two lenses of one focal length would be mixed up where that is the order.
    "sort": "$lenses",
    "header": {"labelOrient": "top", "labelAnchor": "start", "labelLimit": 300},
}
"""A panel a lens, the widest on top."""


def cells() -> Spec:
    """A panel a lens, a line an exposure: the rate with its interval, and how many of how many.

    Rows: `lens`, `setting`, `rate`, `low`, `high`, `words`, `told`.
    """
    y = {
        "field": "setting",
        "type": "ordinal",
        "title": None,
        "axis": {"labelExpr": "format(datum.value, '.4~g') + ' s'"},
    }
    x = _rate("rate", None, axis={"format": ".0%", "tickCount": 4})
    # One layer alone makes the scale of a panel: where several do, the drawer cannot tell how many
    # exposures it holds, and warns.
    beside = {
        "y": {"value": {"expr": "scale('child_y', datum.setting) + bandwidth('child_y') / 2"}}
    }
    return {
        "facet": {"row": _LENS_ROW},
        "spacing": 14,
        "spec": {
            "width": "$width",
            "height": {"step": 22},
            "layer": [
                {
                    "mark": _SPAN,
                    "encoding": {"x": {**x, "field": "low"}, "x2": {"field": "high"}, "y": y},
                },
                {"mark": _DOT, "encoding": {"x": x, **beside, **_NAME}},
                {
                    "mark": {**_TEXT, "dx": 8},
                    "encoding": {"text": {"field": "words"}, "x": {"value": "$width"}, **beside},
                },
            ],
        },
        "resolve": {"scale": {"y": "independent"}},
    }


def curves() -> Spec:
    """Hit rate against exposure, a panel a lens, with the model's band.

    Rows of the model (`kind` model): `lens`, `setting`, `rate`, `low`, `high`; of what was counted
    (`kind` seen) also `told`.
    """
    y = _rate("rate", "kept", axis={"format": ".0%", "tickCount": 3})
    x = {
        "field": "setting",
        "type": "quantitative",
        "scale": {"type": "log", "nice": False},
        "axis": {"tickCount": 6, "format": ".3~g"},
        "title": "exposure, s",
    }
    model, seen = ({"filter": f"datum.kind == '{kind}'"} for kind in ("model", "seen"))
    span = {"y": {**y, "field": "low"}, "y2": {"field": "high"}}
    dashed = {"type": "line", "color": "$ink", "strokeDash": [5, 3], "aria": False}
    return {
        "facet": {"row": _LENS_ROW},
        "spacing": 14,
        "spec": {
            "width": "$width",
            "height": 90,
            "layer": [
                {
                    "transform": [model],
                    "mark": {"type": "area", "color": "$line", "opacity": 0.8, "aria": False},
                    "encoding": span,
                },
                {
                    "transform": [model],
                    "mark": dashed,
                    "encoding": {"y": y},
                },
                {"transform": [seen], "mark": _SPAN, "encoding": span},
                {"transform": [seen], "mark": _DOT, "encoding": {"y": y, **_NAME}},
            ],
            "encoding": {"x": x},
        },
    }


def losses() -> Spec:
    """Minutes lost by cause, in full where nothing else was wrong.

    Rows: `label`, `alone` and `minutes` (of exposure), `words`, `told`.
    """
    y = {
        "field": "label",
        "type": "nominal",
        "title": None,
        "sort": {"field": "minutes", "op": "max", "order": "descending"},
    }
    x = {"type": "quantitative", "title": "minutes of exposure lost", "axis": {"tickCount": 4}}
    bar = {"type": "bar", "size": 16}
    return {
        "width": "$width",
        "height": {"step": 30},
        "layer": [
            {
                "mark": {**bar, "fill": "$paper", "stroke": "$ink"},
                "encoding": {"x": {**x, "field": "minutes"}, **_NAME},
            },
            {
                "mark": {**bar, "fill": "$ink", "aria": False},
                "encoding": {"x": {**x, "field": "alone"}},
            },
            {
                "mark": {**_TEXT, "dx": 8},
                "encoding": {"text": {"field": "words"}, "x": {"value": "$width"}},
            },
        ],
        "encoding": {"y": y},
    }


def nights() -> Spec:
    """Hit rate of each night in order. Rows: `night`, `rate`, `low`, `high`, `told`."""
    y = _rate("rate", "kept", axis={"format": ".0%", "tickCount": 5})
    x = {
        "field": "night",
        "type": "ordinal",
        "title": None,
        "axis": {
            "labelAngle": -60,
            "labelLimit": 120,
            "labelOverlap": True,
            "labelExpr": "slice(datum.value, 0, 10)",
        },
    }
    return {
        "width": "$width",
        "height": 200,
        "layer": [
            {"mark": _SPAN, "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}}},
            {"mark": _DOT, "encoding": {"y": y, **_NAME}},
        ],
        "encoding": {"x": x},
    }


def calibration() -> Spec:
    """Kept against predicted for left-out nights, from the rate `$from` up.

    Rows: `predicted`, `rate`, `low`, `high`, `told`.
    """
    axes = {"axis": {"format": ".0%", "tickCount": 5}, "scale": {"domain": ["$from", 1]}}
    x = _rate("predicted", "predicted from the other nights", **axes)
    y = _rate("rate", "kept", **axes)
    ends = {"values": [{"predicted": "$from", "rate": "$from"}, {"predicted": 1, "rate": 1}]}
    return {
        "width": "$width",
        "height": "$width",
        "layer": [
            {
                "data": ends,
                "mark": {"type": "line", "color": "$soft", "strokeDash": [2, 3], "aria": False},
                "encoding": {"y": y},
            },
            {"mark": _SPAN, "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}}},
            {"mark": _DOT, "encoding": {"y": y, **_NAME}},
        ],
        "encoding": {"x": x},
    }


def reach() -> Spec:
    """Focal length against exposure: contours of the hit rate with their bands, dots of frames.

    Rows of contours (`kind` contour): `goal`, `exposure`, `focal`, `low`, `high`; of cells audited
    (`kind` seen): `exposure`, `focal`, `told`.
    """
    y = {
        "field": "focal",
        "type": "quantitative",
        "title": "focal length, mm",
        "scale": {"type": "log", "nice": False},
        "axis": {"tickCount": 6, "format": "~s"},
    }
    x = {
        "field": "exposure",
        "type": "quantitative",
        "title": "exposure, s",
        "scale": {"type": "log", "nice": False},
        "axis": {"tickCount": 6, "format": "~s"},
    }
    contour, seen = ({"filter": f"datum.kind == '{kind}'"} for kind in ("contour", "seen"))
    goal = {"field": "goal", "type": "nominal", "title": None, "sort": "descending"}
    dashes = {**goal, "scale": {"range": [[1, 0], [5, 3]]}}
    return {
        "width": "$width",
        "height": 260,
        "layer": [
            {
                "transform": [contour],
                "mark": {"type": "area", "color": "$line", "opacity": 0.5, "aria": False},
                "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}, "detail": goal},
            },
            {
                "transform": [contour],
                "mark": {"type": "line", "color": "$ink", "aria": False},
                "encoding": {"y": y, "strokeDash": dashes},
            },
            {"transform": [seen], "mark": _DOT, "encoding": {"y": y, **_NAME}},
        ],
        "encoding": {"x": x},
    }


CHARTS = {
    "reach": reach,
    "cells": cells,
    "curves": curves,
    "losses": losses,
    "nights": nights,
    "calibration": calibration,
}

ROOM = {"reach": 170, "cells": 170, "curves": 90, "losses": 240, "nights": 80, "calibration": 90}
"""Pixels of a chart's width that its labels take."""
WIDEST = {
    **dict.fromkeys(("reach", "cells", "curves", "losses", "nights"), 1200),
    "calibration": 300,
}
"""Pixels that its panel takes at most: more than the page is wide, but for the square one."""
