"""The invented scene that ``pingloom rows`` takes where none is given.

Two boxes in 5.5 m of water under a surface like a mirror, heard by three rows. The transmitter is tall and rejects the
surface, the rows are short and hear it: what comes back by the surface fills the shadows.
"""

from __future__ import annotations

from pingloom.simulate.scenario import (
    MultipathTable,
    Oscillation,
    Scenario,
    SeabedTable,
    SonarTable,
    SurfaceTable,
    Target,
    VehicleTable,
    WaterTable,
)

__all__ = ["calm_shallows"]


def calm_shallows() -> Scenario:
    """Make the scene; place, vehicle and targets are invented."""
    boxes = (("near box", 4.0, 12.5), ("far box", 8.0, 20.5))
    return Scenario(
        title="Boxes in 5.5 m of calm water, three rows (invented scene)",
        seed=2203,
        sonar=SonarTable(
            n_row=3,
            row_pitch_m=0.004,
            n_channel=16,
            channel_pitch_m=0.025,
            transmit_vertical_m=0.02,
            depression_deg=12.0,
            range_stop_m=26.0,
        ),
        vehicle=VehicleTable(
            n_ping=80,
            ping_rate_hz=10.0,
            speed_m_s=1.5,
            altitude_m=3.5,
            motion=(Oscillation(axis="roll", amplitude_deg=1.0, period_s=4.0),),
        ),
        water=WaterTable(depth_m=5.5, absorption_db_m=0.1),
        seabed=SeabedTable(lambert_db=-25.0, per_cell=4.0),
        surface=SurfaceTable(rms_m=0.0),
        multipath=MultipathTable(order=1),
        targets=tuple(
            Target(
                kind="box",
                name=name,
                along_m=along,
                across_m=across,
                size_m=(2.0, 0.5, 0.4),
                strength_db=-20.0,
            )
            for name, along, across in boxes
        ),
    )
