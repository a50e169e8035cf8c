"""What ``pingloom image`` says of its run to people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pingloom.bench.console import Report

if TYPE_CHECKING:
    from pingloom.bench.run_report import Followed

__all__ = ["say_estimated", "say_followed"]


def say_followed(report: Report, followed: Followed) -> None:
    """How following went: why it ended, how late pings were laid, what was mended at the end."""
    report.line(f"followed until {followed.ended}; product {followed.final_s:.1f} s later")
    if followed.lag.get("median") is not None:
        report.line(
            f"  lag {followed.lag['median']:.2f} s, 95 % below {followed.lag['share_95']:.2f} s, worst "
            f"{followed.lag['worst']:.2f} s, counted from the last look that did not see the ping yet"
        )
        steady = followed.lag["median_once_caught_up"]
        report.line(
            "  it never caught up with the pings: they came faster than they were laid"
            if steady is None
            else f"  once caught up with the first pings, which wait for the plan: median {steady:.2f} s"
        )
    if followed.at_start:
        report.line(f"  {followed.at_start} pings were there before: no lag is told of them")
    if followed.extrapolated:
        report.line(
            f"  {followed.extrapolated} pings were laid with navigation extrapolated, which had not come"
        )
    if followed.again:
        report.line(f"  the finished recording was imaged once more: {followed.again}")


def say_estimated(report: Report, estimated: dict[str, Any] | None) -> None:
    """What the echoes told on the way, a line a side; the table of ``pingloom estimate`` says more."""
    for side, found in (estimated or {}).items():
        said = []
        mean = found["echo_less_given_altitude_mean_m"]
        if found["altitude_fixes"]:
            less = "" if mean is None else f", {mean:+.2f} m off the given one"
            said.append(f"altitude in {found['altitude_fixes']} of {found['pings']} pings{less}")
        if found["receivers_left_out"]:
            said.append(f"{len(found['receivers_left_out'])} receivers left out")
        if found["receiver_phase_rms_deg"] is not None:
            said.append(f"receivers' phases {found['receiver_phase_rms_deg']:.1f} degrees rms")
        if found["looks_matched"]:
            said.append(f"motion from {found['looks_matched']} pairs of looks")
        refused = {why: n for why, n in found["refusals"].items() if why != "between the legs"}
        if refused:
            often = max(refused, key=refused.get)
            said.append(f"{sum(refused.values())} pairs of looks not used, most often: {often}")
        if said:
            report.line(f"estimated, {side}: {'; '.join(said)}")
