"""The part of `driftgate check` that looks at other versions: baseline, erosion, what has changed."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from driftgate.cli.options import FILE, Count, Share

if TYPE_CHECKING:
    from driftgate.report.compare_model import Comparison, Policy
    from driftgate.run.affected import Affected
    from driftgate.run.check import CheckSettings
    from driftgate.run.inputs import Inputs
    from driftgate.run.workers import Crew

F = TypeVar("F", bound=Callable[..., Any])

POLICIES = ("off", "warn", "fail")
DEFAULT_TRIALS = 4000
DEFAULT_ALLOWED = 0.02


class AllowedLoss(Share):
    """A share from 0 up to, but not including, 1."""

    name = "share"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the share."""
        if str(value).strip().removesuffix("%").strip() in ("0", "0.0"):
            return 0.0
        return super().convert(value, param, ctx)


@dataclass(frozen=True)
class Against:
    """What the options ask for."""

    baseline: str | None
    trials: int
    policy: Policy
    allowed: float
    since: str | None
    keep: Path | None

    def words(self) -> str:
        """Return the options that choose and compare the same again, with a space before them, if any."""
        words = [] if self.since is None else ["--changed-since", self.since]
        if self.baseline is not None:
            words += ["--baseline", self.baseline]
            if self.trials != DEFAULT_TRIALS:
                words += ["--baseline-trials", str(self.trials)]
            if self.policy != "warn":
                words += ["--erosion", self.policy]
            if self.allowed != DEFAULT_ALLOWED:
                words += ["--allowed-loss", f"{100.0 * self.allowed:.12g}%"]
        return f" {shlex.join(words)}" if words else ""


def against_options(function: F) -> F:
    """Add the options, and hand them over as one argument, `against`."""
    from functools import wraps

    @wraps(function)
    def gathered(
        *args: Any,
        baseline: str | None,
        baseline_trials: int | None,
        erosion: str | None,
        allowed_loss: float | None,
        changed_since: str | None,
        keep_baseline: Path | None,
        **more: Any,
    ) -> Any:
        if baseline is None and (erosion or allowed_loss is not None):
            raise click.UsageError("--erosion and --allowed-loss need --baseline")
        if baseline is None and keep_baseline is None and baseline_trials:
            raise click.UsageError("--baseline-trials needs --baseline or --keep-baseline")
        both = baseline is not None and keep_baseline is not None
        if both and Path(str(baseline)).absolute() == Path(str(keep_baseline)).absolute():
            raise click.UsageError(
                "--keep-baseline would replace the baseline that is compared with, and small losses "
                "would add up unseen; keep it in a run of its own"
            )
        found = Against(
            baseline,
            baseline_trials or DEFAULT_TRIALS,
            cast("Policy", erosion or "warn"),
            DEFAULT_ALLOWED if allowed_loss is None else allowed_loss,
            changed_since,
            keep_baseline,
        )
        return function(*args, against=found, **more)

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return cast("F", gathered)


_OPTIONS = (
    click.option(
        "--baseline",
        metavar="REVISION|FILE",
        help="Compare with a git revision, or with a file of --keep-baseline: both judged by this "
        "driftgate, trial by trial with the same luck.",
    ),
    click.option(
        "--baseline-trials",
        type=Count(1, 10_000_000),
        help="Trials of each side of that comparison, and of a baseline to keep.  "
        f"[default: {DEFAULT_TRIALS}]",
    ),
    click.option(
        "--erosion",
        type=click.Choice(POLICIES),
        help="What a loss or a loosened demand does while the tolerances hold: nothing, a word in the "
        "last line, or status 1.  [default: warn]",
    ),
    click.option(
        "--allowed-loss",
        type=AllowedLoss(),
        help="Loss of success, or of margin as a share of the tolerance, that is no erosion.  "
        f"[default: {DEFAULT_ALLOWED:.0%}]",
    ),
    click.option(
        "--changed-since",
        metavar="REVISION",
        help="Run only routines of which a file that they read has changed since a git revision; all, "
        "if driftgate or its settings have.",
    ),
    click.option(
        "--keep-baseline",
        type=FILE,
        metavar="FILE",
        help="Keep the present state in a file to compare with later.",
    ),
)


def affected_paths(against: Against, paths: tuple[Path, ...], field: Path | None) -> Affected | None:
    """Return which routines to run, None for all; files with errors are for the check to tell."""
    if against.since is None:
        return None
    from driftgate.run.affected import affected_since
    from driftgate.run.inputs import load_inputs

    inputs = load_inputs(paths, field)
    if any(finding.level == "error" for finding in inputs.findings) or not inputs.routines:
        return None
    return affected_since(against.since, paths, inputs, field)


def compared(
    against: Against,
    check: CheckSettings,
    paths: tuple[Path, ...],
    inputs: Inputs,
    affected: Affected | None,
    progress: Callable[[int, int, str], None],
) -> Comparison | None:
    """Return the comparison with the baseline, if one is asked for, of the routines that are affected."""
    if against.baseline is None:
        return None
    from driftgate.run.baseline import BaselineSettings, compare_with_baseline

    settings = BaselineSettings(
        against.baseline,
        paths,
        against.trials,
        check.seed,
        check.confidence,
        check.workers,
        against.policy,
        against.allowed,
        None if affected is None else affected.routines,
        check.today,
    )
    return compare_with_baseline(settings, inputs, progress)


def final_status(status: int, why: str, found: Comparison | None) -> tuple[int, str]:
    """Return the exit status and why, once erosion has had its say."""
    if found is None or not found.eroded or found.policy == "off":
        return status, why
    eroded = f"eroded against {found.baseline}: {', '.join(found.eroded)}"
    if found.policy == "warn":
        return status, f"{why}; warning: {eroded}"
    return max(status, 1) if status in (0, 1) else status, f"{why}; {eroded}"


def keep(
    against: Against, inputs: Inputs, seed: int, workers: Crew, progress: Callable[[int, int, str], None]
) -> None:
    """Write the present state as a baseline, if that is asked for."""
    if against.keep is None:
        return
    from driftgate.report.write import write_whole
    from driftgate.run.baseline import keep_baseline
    from driftgate.run.kept import kept_text

    write_whole(against.keep, kept_text(keep_baseline(inputs, against.trials, seed, workers, progress)))
