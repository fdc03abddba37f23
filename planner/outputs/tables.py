"""Rows of the plan's other tables: parts at sites, order lines, energy by month, ports."""

from collections.abc import Iterator, Sequence

from planner.demand import LinkEnd, PortAssignment
from planner.designs import Balance
from planner.outputs.records import Fleet, SiteDesign
from planner.outputs.site_rows import finite
from planner.procurement import OrderLine, SiteLine
from planner.tables.plan_rows import BillRow, EnergyRow, OrderRow, PortRow
from planner.units import MONTHS


def bill_rows(lines: Sequence[SiteLine]) -> list[BillRow]:
    """One row for each SKU of a site."""
    return [
        BillRow(
            site_id=line.site_id,
            sku=line.sku,
            category=line.category,
            quantity=line.quantity,
            quantity_kept=line.quantity_kept,
            unit_price=line.unit_price,
            line_cost=line.line_cost,
        )
        for line in lines
    ]


def procurement_rows(orders: Sequence[OrderLine], currency: str) -> list[OrderRow]:
    """One row for each order line."""
    return [
        OrderRow(
            sku=o.offer.sku,
            supplier=o.offer.supplier,
            category=o.category,
            quantity_sites=o.quantity_sites,
            quantity_spares=o.quantity_spares,
            quantity_surplus=o.quantity_surplus,
            quantity_ordered=o.quantity_ordered,
            unit_price=o.unit_price,
            min_qty=o.min_qty,
            tier_kind=o.offer.tier_kind,
            line_cost=o.line_cost,
            currency=currency,
            quoted_price=o.offer.quoted_price,
            quoted_currency=o.offer.quoted_currency,
            lead_time_weeks=o.offer.lead_time_weeks,
        )
        for o in orders
    ]


def energy_rows(fleet: Fleet, designs: Sequence[SiteDesign], balances: Sequence[Balance]) -> list[EnergyRow]:
    """Twelve rows a site."""
    return [
        EnergyRow(
            site_id=fleet.scenario.tables.sites[design.site].site_id,
            month=m + 1,
            ghi_wh_m2_day=round(float(fleet.climate.ghi_wh_m2_day[design.site, m]), 1),
            poa_wh_m2_day=round(float(design.inputs.poa_wh_m2_day[m]), 1),
            temp_air_c=round(float(fleet.climate.temp_air_c[design.site, m]), 1),
            load_wh_day=round(float(balance.load_wh_day[m]), 1),
            net_load_wh_day=round(float(balance.net_load_wh_day[m]), 1),
            heater_wh_day=round(float(balance.heater_wh_day[m]), 1),
            temp_cell_c=round(float(design.inputs.temp_cell_c[m]), 2),
            clipped_share=round(float(balance.clipped_share[m]), 5),
            array_wh_day=round(float(balance.array_wh_day[m]), 1),
            array_to_load_ratio=finite(balance.array_to_load_ratio[m], 3),
        )
        for design, balance in zip(designs, balances, strict=True)
        for m in range(MONTHS)
    ]


def port_rows(fleet: Fleet, designs: Sequence[SiteDesign]) -> list[PortRow]:
    """Every port in use at every site: devices with their further data ports, uplinks, links."""
    rows: list[PortRow] = []
    for design in designs:
        site_id = fleet.scenario.tables.sites[design.site].site_id
        for assignment in design.kit.ports:
            rows.append(_power_row(site_id, assignment))
            rows += _data_rows(site_id, assignment)
        rows += [_link_row(site_id, end) for end in design.kit.links]
    return rows


def _power_row(site_id: str, a: PortAssignment) -> PortRow:
    return PortRow(
        site_id=site_id,
        role="power",
        device=a.device,
        instance=a.instance,
        supply=a.supply,
        switch_sku=a.host_sku,
        switch_unit=a.host_unit or None,
        port=a.port,
        via_sku=a.via_sku or a.adapter_sku,
        cable_m=a.cable_m,
        device_w=round(a.device_w, 3),
        port_w=round(a.host_w + a.host_own_w, 3),
        port_max_w=round(a.host_max_w, 3),
        allocated_w=round(a.allocated_w, 3),
    )


def _data_rows(site_id: str, a: PortAssignment) -> Iterator[PortRow]:
    """Ports that carry data of a device and no power."""
    for end in a.data_on:
        yield PortRow(
            site_id=site_id,
            role="data",
            device=a.device,
            instance=a.instance,
            switch_sku=end.host_sku,
            switch_unit=end.host_unit,
            port=end.port,
            cable_m=a.cable_m,
        )


def _link_row(site_id: str, end: LinkEnd) -> PortRow:
    return PortRow(
        site_id=site_id,
        role="link" if end.link else "uplink",
        link=end.link or None,
        switch_sku=end.host_sku,
        switch_unit=end.host_unit,
        port=end.port,
        via_sku=end.module_sku,
    )
