"""What a freeze keeps: fingerprints, verdicts, the tool, and the documents themselves."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.base import Model, Probability

Digest = Annotated[str, Field(pattern=r"^sha256:[0-9a-f]{64}$", description="SHA-256, in hexadecimal")]
RepositoryPath = Annotated[
    str, Field(min_length=1, max_length=200, description="relative to the repository, forward slashes")
]
Word = Annotated[str, Field(min_length=1, max_length=80)]
FileName = Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]*$", max_length=120)]
Side = Literal["as written", "mirrored"]


class FrozenTool(Model):
    """Which driftgate, on what."""

    version: Word
    source: Digest
    python: Word
    machine: Word
    libraries: Annotated[dict[FileName, Word], Field(max_length=20)]


class FrozenSettings(Model):
    """How the verdicts were reached."""

    paths: Annotated[list[RepositoryPath], Field(min_length=1, max_length=1000)]
    trials: Annotated[int, Field(ge=1, le=10_000_000)]
    sample: Literal["sequential", "fixed"]
    seed: Annotated[int, Field(ge=0, lt=2**63)]
    confidence: Probability


class FrozenFile(Model):
    """A file that was judged: a hash of what it means, and one of its bytes."""

    path: RepositoryPath
    kind: Literal["routine", "robot", "field map"]
    content: Digest
    bytes: Digest


class FrozenRobotFiles(Model):
    """What one side of a routine is to the robot's code: generated file name to hash of its text."""

    routine: RepositoryPath
    side: Side
    files: Annotated[dict[FileName, Digest], Field(min_length=1, max_length=50)]


class FrozenTolerance(Model):
    """The verdict on one tolerance. `margin` is what is left of it, `success` the lower bound."""

    name: Word
    verdict: Literal["pass"]
    axis: Word
    margin: Probability | None
    success: Probability
    required: Probability


class FrozenContact(Model):
    """The verdict on contact: its upper bound, and what the routine allows."""

    verdict: Literal["pass"]
    at_most: Probability
    allowed: Probability


class FrozenCase(Model):
    """One routine on one true field, one side."""

    routine: RepositoryPath
    believed_map: RepositoryPath
    true_map: RepositoryPath
    side: Side
    trials: Annotated[int, Field(ge=1, le=10_000_000)]
    tolerances: Annotated[list[FrozenTolerance], Field(min_length=1, max_length=2000)]
    contact: FrozenContact


class FrozenText(Model):
    """A file as it stood, line ends aside."""

    path: RepositoryPath
    text: Annotated[str, Field(min_length=1)]


class Freeze(Model):
    """The manifest of a code freeze."""

    kind: Literal["freeze"]
    format: Literal[1]
    tool: FrozenTool
    settings: FrozenSettings
    files: Annotated[list[FrozenFile], Field(min_length=1, max_length=5000)]
    robot_files: Annotated[list[FrozenRobotFiles], Field(max_length=2000)]
    shared_robot_files: Annotated[dict[FileName, Digest], Field(max_length=50)]
    cases: Annotated[list[FrozenCase], Field(min_length=1, max_length=20_000)]
    texts: Annotated[list[FrozenText], Field(min_length=1, max_length=5000)]
    digest: Digest
