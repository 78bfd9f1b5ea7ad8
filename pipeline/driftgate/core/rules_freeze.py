"""Codes of what the verification of a code freeze finds."""

from __future__ import annotations

from typing import Final

from driftgate.core.rule import Rule

FREEZE: Final = (
    Rule(
        "DG701",
        "manifest of a code freeze not usable",
        "The manifest cannot be read, is none, or its content does not have the digest in its last line: it "
        "was damaged, edited, or merged. Take it from the repository's history again, or freeze anew.",
    ),
    Rule(
        "DG702",
        "not the manifest that was expected",
        "The manifest is sound, but its digest is not the one given with '--expect': somebody has frozen "
        "anew, or edited it and its digest. Ask who did, and what changed in it.",
    ),
    Rule(
        "DG703",
        "driftgate itself has changed since the freeze",
        "Another version, or other source files, may come to another verdict and write other robot files. "
        "Install the frozen version, or let the change through with a waiver for the file 'driftgate'.",
    ),
    Rule(
        "DG704",
        "changed since the freeze",
        "A value in a frozen file is no longer what it was. Take it back, freeze anew, or let the change "
        "through with a waiver.",
    ),
    Rule(
        "DG705",
        "changed since the freeze, but not in what it means",
        "Comments, titles, notes, spacing, line ends, the order of keys or the spelling of a number have "
        "changed. Noted only.",
        usual="note",
    ),
    Rule(
        "DG706",
        "file added since the freeze",
        "A routine, or a file that one reads, was not there when the code was frozen.",
    ),
    Rule(
        "DG707",
        "file gone since the freeze",
        "A frozen file is not there any more, or no routine reads it.",
    ),
    Rule(
        "DG708",
        "file renamed since the freeze",
        "A frozen file has gone, and another one means exactly the same. What names it by its path, such as "
        "the robot's own programs, will look in vain.",
    ),
    Rule(
        "DG709",
        "generated robot files come out otherwise",
        "From the present files the present driftgate would give the robot's code other numbers than those "
        "frozen (differences beyond the seventh digit do not count), or what stands in the folder of "
        "generated files is not what was frozen. Export again, and put that on the robot.",
    ),
    Rule(
        "DG710",
        "changed routine does not pass",
        "A routine that has changed since the freeze, or reads a file that has, was judged again and does "
        "not keep all its tolerances. 'driftgate check' with this file says why.",
    ),
    Rule(
        "DG711",
        "waiver has expired",
        "The last day of a waiver has passed, so the change that it let through counts again. Take the "
        "change back, freeze anew, or look at it again and set a later day.",
    ),
    Rule(
        "DG712",
        "waiver is not used",
        "A waiver is about a file that is as frozen, or about another state of a file. Delete it, or look at "
        "the file again and correct it.",
    ),
    Rule(
        "DG713",
        "verdict worse than waived",
        "A waiver covers the change, but what reads the file is judged worse now than when it was written.",
    ),
    Rule(
        "DG714",
        "tolerance does not hold on this field",
        "On the field as taped out, which the robot does not know, a frozen routine does not keep a "
        "tolerance. The message names the reason.",
    ),
)
