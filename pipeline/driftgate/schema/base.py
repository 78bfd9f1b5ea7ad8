"""What the models of all documents share: strictness, quantity types, small shapes."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from driftgate.schema.quantity import Quantity

# Texts for people, anywhere in a document: no stage reads them.
REMARKS: Final = frozenset({"title", "note"})


class Model(BaseModel):
    """Base of every model: unknown keys refused, values frozen, no silent conversion of types."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, defer_build=True)


# Bounds keep every number in the range of a small robot on a small field: a field of a kilometre,
# or a routine of a day, is a slip of the unit.
Length = Annotated[float, Quantity("length", low=-100.0, high=100.0)]
Distance = Annotated[float, Quantity("length", above=0.0, high=100.0)]
Size = Annotated[float, Quantity("length", low=0.0, high=100.0)]
Angle = Annotated[float, Quantity("angle", low=-63.0, high=63.0)]
PositiveAngle = Annotated[float, Quantity("angle", above=0.0, high=63.0)]
AngleSize = Annotated[float, Quantity("angle", low=0.0, high=6.3)]
Duration = Annotated[float, Quantity("time", low=0.0, high=3600.0)]
PositiveDuration = Annotated[float, Quantity("time", above=0.0, high=3600.0)]
Speed = Annotated[float, Quantity("speed", above=0.0, high=20.0)]
TurnRate = Annotated[float, Quantity("turn rate", above=0.0, high=200.0)]
Acceleration = Annotated[float, Quantity("acceleration", above=0.0, high=200.0)]
AngularAcceleration = Annotated[float, Quantity("angular acceleration", above=0.0, high=5000.0)]
Probability = Annotated[float, Quantity("ratio", low=0.0, high=1.0)]

Id = Annotated[
    str,
    Field(
        pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$", max_length=40, description="lower-case words joined by '-'"
    ),
]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Point = Annotated[tuple[Length, Length], Field(description="[x, y] in the field frame", strict=False)]
Basis = Literal["measured", "data sheet", "guess"]


class Sourced(Model):
    """Numbers that say where they come from."""

    basis: Basis
    note: Text | None = None


class Circle(Model):
    """A disc about the thing's own origin."""

    radius: Distance


class Rectangle(Model):
    """A rectangle centred on the thing's own origin, `length` along its own x axis."""

    length: Distance
    width: Distance


class Polygon(Model):
    """A simple polygon in the thing's own axes."""

    corners: Annotated[list[Point], Field(min_length=3, max_length=200)]


class Shape(Model):
    """Exactly one of `circle`, `rectangle`, `polygon`."""

    circle: Circle | None = None
    rectangle: Rectangle | None = None
    polygon: Polygon | None = None


class PoseIn(Model):
    """A pose in the field frame."""

    x: Length
    y: Length
    heading: Angle = 0.0


class HeightRange(Model):
    """From which height above the floor to which a thing reaches."""

    low: Size = 0.0
    high: Distance = 0.5


class PoseSpread(Sourced):
    """Standard deviations of a pose about its nominal value, in field axes."""

    x: Size
    y: Size
    heading: AngleSize
