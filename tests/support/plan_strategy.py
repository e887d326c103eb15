"""Random valid plans for hypothesis, drawn by walking the plan's dataclass fields.

A new field needs nothing here: its kind says what to draw. Only what fields say together (names, references,
outlines, pairs in order) is mended afterwards, per dataclass.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from typing import Any

from hypothesis import strategies as st
from scatterproof.plan import model as m
from scatterproof.plan.fields import Kind, kind_of

# Numbers a person or another program would give: not only short ones, so that texts must carry every digit.
USUAL = {"length": (-30.0, 30.0), "angle": (-7.0, 7.0), "number": (-10.0, 10.0), "count": (-500, 5000)}

NAMES = st.one_of(
    st.sampled_from(
        ["back wall", "push", "Bühne 7", "灯", 'a "quoted" one', "it's", "a.b", "#1", "[x]", "x = 1", "\\n"]
    ),
    st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12),
)
TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=20)


@functools.cache
def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Floats of every digit, and round ones; made once per range, since making a strategy costs more than a draw."""
    return st.floats(low, high, allow_subnormal=False) | st.floats(low, high).map(
        lambda x: min(max(round(x, 2), low), high)
    )


@st.composite
def plans(draw: st.DrawFn, most: int = 3) -> m.Plan:
    """A valid plan with up to ``most`` tables in every list."""
    return Drawing(draw, most).plan()


class Drawing:
    """Draws the tables of one plan."""

    def __init__(self, draw: st.DrawFn, most: int):
        self.draw, self.most = draw, most
        self.names: dict[str, list[str]] = {}

    def plan(self) -> m.Plan:
        draw = self.draw
        for kind, low, high in (
            ("paint", 1, 3),
            ("flat surface", 1, 4),
            ("cove", 0, 1),
            ("camera", 1, 2),
            ("shot", 0, 3),
        ):
            self.names[kind] = draw(st.lists(NAMES, min_size=low, max_size=min(high, self.most), unique=True))
        flats = self.names["flat surface"]
        self.names["cove"] = [name + " cove" for name in self.names["cove"] if name + " cove" not in flats]
        self.names["surface"] = flats + self.names["cove"]
        plan = self.table(m.Plan, schema=m.SCHEMA)
        return dataclasses.replace(plan, name=draw(NAMES))

    # -- by kind

    def table(self, cls: type, **given: Any) -> Any:
        values = dict(given)
        for field in dataclasses.fields(cls):
            if field.name not in values:
                values[field.name] = self.field(cls, field)
        mend = getattr(self, f"mend_{cls.__name__}", None)
        return cls(**(mend(values) if mend else values))

    def field(self, cls: type, field: dataclasses.Field[Any]) -> Any:
        kind, default = kind_of(field), field.default
        listed = getattr(self, f"list_{cls.__name__}_{field.name}", None)
        if listed:
            return listed()
        if kind.quantity == "table" and not kind.rows:
            wanted = default is dataclasses.MISSING or self.draw(st.booleans())
            return (
                self.table(
                    kind.of,
                )
                if wanted
                else default
            )
        if kind.quantity == "table":
            return self.listed(kind.of)
        if default is not dataclasses.MISSING and self.draw(st.booleans()) and not kind.refers:
            return default
        return self.value(kind)

    def listed(self, cls: type, least: int = 0) -> tuple[Any, ...]:
        count = self.draw(st.integers(least, self.most))
        if not any(f.name == "name" for f in dataclasses.fields(cls)):
            return tuple(self.table(cls) for _ in range(count))
        names = self.draw(st.lists(NAMES, min_size=count, max_size=count, unique=True))
        return tuple(self.table(cls, name=name) for name in names)

    def value(self, kind: Kind) -> Any:
        if kind.rows and kind.quantity == "length" and kind.size == 2:
            return self.outline()
        if kind.rows:
            return tuple(self.value(dataclasses.replace(kind, rows=False)) for _ in range(self.draw(st.integers(0, 3))))
        if kind.size is not None:
            one = dataclasses.replace(kind, size=None)
            count = kind.size or self.draw(st.integers(1, 3))
            items = [self.value(one) for _ in range(count)]
            return tuple(dict.fromkeys(items)) if kind.size == 0 else tuple(items)
        return self.scalar(kind)

    def scalar(self, kind: Kind) -> Any:
        draw = self.draw
        if kind.refers:
            return draw(st.sampled_from(self.names[kind.refers]))
        if kind.choices:
            return draw(st.sampled_from(kind.choices))
        if kind.quantity == "text":
            return draw(TEXTS)
        if kind.quantity == "flag":
            return draw(st.booleans())
        low, high = USUAL.get(kind.quantity, (0.0, 100.0))
        low = low if kind.low is None else kind.low
        high = max(high, low) if kind.high is None else kind.high
        if kind.quantity == "count":
            return draw(st.integers(int(low), int(high)))
        return draw(numbers(low, high))

    def outline(self) -> tuple[m.Vec2, ...]:
        """A star-shaped polygon: corners at rising angles around a centre."""
        draw = self.draw
        count = draw(st.integers(3, 6))
        radii = draw(st.lists(numbers(0.2, 3.0), min_size=count, max_size=count))
        x, y = draw(st.tuples(numbers(-5, 5), numbers(-5, 5)))
        return tuple(
            (x + r * math.cos(2 * math.pi * i / count), y + r * math.sin(2 * math.pi * i / count))
            for i, r in enumerate(radii)
        )

    # -- what fields say together

    def list_Plan_paints(self) -> tuple[Any, ...]:
        return tuple(self.table(m.Paint, name=name) for name in self.names["paint"])

    def list_Plan_cameras(self) -> tuple[Any, ...]:
        return tuple(self.table(m.Camera, name=name) for name in self.names["camera"])

    def list_Plan_shots(self) -> tuple[Any, ...]:
        return tuple(self.table(m.Shot, name=name) for name in self.names["shot"])

    def list_Blocker_shots(self) -> tuple[str, ...]:
        return tuple(self.names["shot"][: self.draw(st.integers(0, 2))])

    def list_Blocker_keys(self) -> tuple[Any, ...]:
        return self.keyed(m.PathKey, self.draw(st.integers(0, self.most)))

    def list_Gear_file(self) -> str:
        return self.draw(st.sampled_from(["", "", "", "übung.obj"]))

    def list_Shot_keys(self) -> tuple[Any, ...]:
        return ()

    list_Shot_samples = list_Shot_keys

    def list_Shot_move(self) -> None:
        return None

    def keyed(self, cls: type, count: int) -> tuple[Any, ...]:
        frames = self.draw(st.lists(st.integers(-100, 5000), min_size=count, max_size=count, unique=True))
        return tuple(self.table(cls, frame=frame) for frame in sorted(frames))

    def mend_Paint(self, v: dict[str, Any]) -> dict[str, Any]:
        fields = {f.name: kind_of(f) for f in dataclasses.fields(m.Paint)}
        given = self.draw(st.sampled_from(["srgb", "linear"]))
        return v | {"srgb": None, "linear": None, given: self.value(fields[given])}

    mend_Patch = mend_Paint

    def mend_Stage(self, v: dict[str, Any]) -> dict[str, Any]:
        # The first flat surface is a floor, the others are walls and panels, so that coves have what they join.
        first, *others = self.names["flat surface"]
        half = self.draw(st.integers(0, len(others)))
        coves = [self.table(m.Cove, name=name, between=(first, others[0])) for name in self.names["cove"] if half]
        return v | {
            "floors": (self.table(m.Floor, name=first),),
            "walls": tuple(self.table(m.Wall, name=name) for name in others[:half]),
            "panels": tuple(self.table(m.Panel, name=name) for name in others[half:]),
            "coves": tuple(coves),
            "shadows": tuple(self.on_surface(s, bool(coves)) for s in v["shadows"]),
        }

    def on_surface(self, table: Any, coves: bool) -> Any:
        return table if coves or table.surface in self.names["flat surface"] else self.moved(table)

    def moved(self, table: Any) -> Any:
        return dataclasses.replace(table, surface=self.names["flat surface"][0])

    def mend_Plan(self, v: dict[str, Any]) -> dict[str, Any]:
        if not v["stage"].coves:  # the cove was not built: what stood on it stands on the floor
            v["keepouts"] = tuple(self.on_surface(k, False) for k in v["keepouts"])
            v["markers"] = tuple(self.off_cove(s) for s in v["markers"])
        return v

    def off_cove(self, markers: m.MarkerSet) -> m.MarkerSet:
        flats = self.names["flat surface"]
        surfaces = tuple(s for s in markers.surfaces if s in flats) or (flats[0],)
        return dataclasses.replace(
            markers, surfaces=surfaces, placed=tuple(self.on_surface(p, False) for p in markers.placed)
        )

    def mend_Floor(self, v: dict[str, Any]) -> dict[str, Any]:
        return v | {key: self.rising(v[key]) for key in ("x", "y")}

    def mend_Wall(self, v: dict[str, Any]) -> dict[str, Any]:
        (x, y), (a, b) = v["start"], v["end"]
        # Steep leans make a wall level with the floor, which a cove could not join.
        return v | {"end": (a, b) if math.dist((x, y), (a, b)) > 0.1 else (x + 2.0, y), "lean": v["lean"] / 2}

    def mend_Panel(self, v: dict[str, Any]) -> dict[str, Any]:
        width, height, turn = self.draw(st.tuples(numbers(0.1, 20), numbers(0.1, 20), numbers(-3, 3)))
        across = (width * math.cos(turn), width * math.sin(turn), 0.0)
        lean = self.draw(numbers(-1, 1))
        up = (
            -height * math.sin(turn) * math.sin(lean),
            height * math.cos(turn) * math.sin(lean),
            height * math.cos(lean),
        )
        return v | {"across": across, "up": up}

    def mend_MarkerSet(self, v: dict[str, Any]) -> dict[str, Any]:
        placed = v["layout"] == "placed"
        spacing = self.draw(st.sampled_from(["spacing", "count", "density"]))
        value = {"spacing": numbers(1.0, 4.0), "count": st.integers(1, 400), "density": numbers(0.01, 1.0)}[spacing]
        return v | {
            "spacing": None, "count": None, "density": None, spacing: self.draw(value),
            "corners": tuple(sorted(v["corners"])), "size": tuple(sorted(v["size"])),
            "placed": (self.table(m.PlacedMarker), *v["placed"]) if placed else (),
        }  # fmt: skip

    def mend_Stand(self, v: dict[str, Any]) -> dict[str, Any]:
        shares = self.draw(st.lists(numbers(0, 1), min_size=1, max_size=4, unique=True))
        return v | {"bands": tuple(dict.fromkeys(share * v["height"] for share in shares))}

    def mend_Blocker(self, v: dict[str, Any]) -> dict[str, Any]:
        return v | {"file": "übung.obj" if v["kind"] == "mesh" else ""}

    def mend_Camera(self, v: dict[str, Any]) -> dict[str, Any]:
        return v | {
            "focus": max(v["focus"], v["focal_length"] / 1000 + 0.1),
            "exposure": None if v["exposure"] is None else v["exposure"] / 1000,
            "read_out": v["read_out"] / 1000,
        }

    def mend_Wander(self, v: dict[str, Any]) -> dict[str, Any]:
        low = self.draw(numbers(0.001, 0.4))
        return v | {"band": (low, low + self.draw(numbers(0.01, 20)))}

    def mend_Move(self, v: dict[str, Any]) -> dict[str, Any]:
        nonzero = {key: v[key] if abs(v[key]) > 1e-3 else 0.5 for key in ("distance", "angle")}
        return v | nonzero | {"aim": self.away(v["start"], v["aim"])}

    def mend_CameraKey(self, v: dict[str, Any]) -> dict[str, Any]:
        return v | {"aim": v["aim"] and self.away(v["at"], v["aim"])} | self.near_focus(v)

    def mend_CameraSample(self, v: dict[str, Any]) -> dict[str, Any]:
        norm = math.hypot(*v["turn"])
        turn = tuple(x / norm for x in v["turn"]) if norm > 1e-3 else (1.0, 0.0, 0.0, 0.0)
        return v | {"turn": turn} | self.near_focus(v)

    def mend_Criteria(self, v: dict[str, Any]) -> dict[str, Any]:
        for field in dataclasses.fields(m.Criteria):
            if kind_of(field).size == 2 and v[field.name] is not None:
                v[field.name] = tuple(sorted(v[field.name], reverse=field.name not in ("blur", "drift", "jitter")))
        return v

    def mend_Shot(self, v: dict[str, Any]) -> dict[str, Any]:
        draw = self.draw
        first, total = draw(st.integers(-100, 2000)), draw(st.integers(1, 300))
        way = draw(st.sampled_from(["move", "keys", "samples"]))
        if way == "move":
            v["move"] = self.table(m.Move)
        elif way == "keys":
            keys = self.keyed(m.CameraKey, draw(st.integers(1, 3)))
            same = keys[0].aim is None
            v["keys"] = tuple(
                dataclasses.replace(key, aim=None if same else key.aim or self.away(key.at, (0.0, 0.0, 1.0)))
                for key in keys
            )
        else:
            total = draw(st.integers(1, 3))
            v["samples"] = tuple(self.table(m.CameraSample) for _ in range(total))
        exposure = None if v["exposure"] is None else v["exposure"] / v["rate"]
        return v | {"frames": (first, first + total - 1), "exposure": exposure} | self.near_focus(v)

    def near_focus(self, v: dict[str, Any]) -> dict[str, Any]:
        """A focus distance that is beyond any focal length, where one is given on its own level."""
        if v["focal_length"] is None and v["focus"] is None:
            return {}
        return {"focus": max(v["focus"] or 0.0, 2.5)}

    def away(self, one: m.Vec3, other: m.Vec3) -> m.Vec3:
        return other if math.dist(one, other) > 0.01 else (one[0], one[1] + 1.0, one[2])

    def rising(self, pair: m.Vec2) -> m.Vec2:
        low, high = min(pair), max(pair)
        return (low, high) if high - low > 0.1 else (low, low + 3.0)
