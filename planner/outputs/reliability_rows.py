"""Rows of the plan's `reliability`: what designs did in years that their curves never saw."""

from collections.abc import Sequence

import numpy as np

from planner.outputs.records import Fleet, SiteDesign
from planner.outputs.site_rows import finite
from planner.outputs.upkeep import battery_life_years
from planner.reliability import Proof
from planner.tables.plan_rows import ReliabilityRow


def reliability_rows(
    fleet: Fleet, designs: Sequence[SiteDesign], proofs: Sequence[Proof]
) -> list[ReliabilityRow]:
    """One row for each site that an availability is asked of, and that has a design."""
    life = {design.site: battery_life_years(fleet, design) for design in designs}
    years = fleet.scenario.settings.reliability.years
    return [
        ReliabilityRow(
            site_id=fleet.scenario.tables.sites[proof.site].site_id,
            availability_asked=proof.curve.availability,
            availability=round(1.0 - proof.loss, 6),
            availability_low=round(1.0 - proof.loss_high, 6),
            availability_high=round(1.0 - proof.loss_low, 6),
            met=not proof.missed,
            curve_years=proof.curve.own_years or years,
            own_weather=proof.curve.own_years > 0,
            fresh_years=years,
            curve_raises=proof.curve.raises,
            battery_days_needed=round(proof.days_needed, 2),
            battery_days=finite(proof.battery_days, 2),
            unserved_wh_year=round(proof.unserved_wh_year, 1),
            longest_outage_h=round(proof.longest_outage_h, 1),
            lowest_charge=round(float(proof.lowest_charge.min()), 3),
            lowest_charge_month=int(np.argmin(proof.lowest_charge)) + 1,
            days_low_year=round(proof.days_low_year, 2),
            equivalent_full_cycles_year=round(proof.equivalent_full_cycles_year, 1),
            battery_life_years=finite(life[proof.site], 1),
            unused_wh_year=round(proof.unused_wh_year),
        )
        for proof in proofs
    ]
