"""The catalogue of checks: one small function per check, grouped by family."""

from audit.checks import feeding, hanging, order_text, orders, records, supply, water
from audit.checks.declare import Check
from audit.checks.delivery_rules import DELIVERY_RULES
from audit.policy import Policy

CHECKS: tuple[Check, ...] = (
    orders.essential_element_missing,
    orders.stated_volume_differs,
    orders.stated_energy_differs,
    order_text.text_and_fields_disagree,
    orders.parts_exceed_24_h,
    orders.orders_overlap,
    orders.days_without_order,
    orders.order_stops_before_start,
    orders.order_not_renewed,
    orders.exact_duplicate_order,
    orders.weight_out_of_date,
    orders.unit_slip_suspected,
    orders.formula_unknown,
    orders.formula_outside_age,
    orders.allergen_in_formula,
    orders.powder_for_young_infant,
    orders.method_does_not_suit_access,
    orders.home_blend_into_jejunum,
    feeding.energy_below_goal,
    feeding.energy_below_estimate,
    feeding.energy_above_need,
    feeding.protein_below_need,
    feeding.protein_far_above_need,
    feeding.volume_below_micronutrients,
    feeding.infant_feed_concentration,
    feeding.volume_limit_stops_feed_early,
    feeding.rate_outside_pump,
    feeding.starting_rate_never_advanced,
    feeding.fed_below_ordered,
    feeding.restart_at_full_rate,
    feeding.supply_covers_less_than_ordered,
    feeding.weight_falling,
    feeding.growth_faltering,
    feeding.growth_z_fallen,
    feeding.cautious_start_advised,
    water.flush_written_as_rate,
    order_text.text_writes_flush_as_rate,
    order_text.water_text_and_fields_disagree,
    water.flush_missing,
    water.stated_flush_total_differs,
    water.flush_interval_longer_than_run,
    water.flush_interval_does_not_fit_day,
    water.flush_below_patency_minimum,
    water.flush_outside_pump,
    water.total_water_below_need,
    water.total_water_far_above_need,
    water.concentrated_feed_little_water,
    water.fluid_above_limit,
    water.too_much_water_for_infant,
    water.flushed_below_ordered,
    water.water_bag_too_small,
    hanging.hang_time_exceeded,
    hanging.fill_above_bag_capacity,
    hanging.refill_in_night,
    hanging.battery_shorter_than_outing,
    supply.bag_sets_short,
    supply.formula_short,
    supply.syringes_short,
    supply.runs_out_before_next_delivery,
    supply.active_order_nothing_delivered,
    supply.delivered_without_order,
    supply.delivered_after_stop,
    supply.other_formula_delivered,
    supply.each_case_confusion,
    supply.duplicate_delivery,
    supply.much_more_than_needed,
    supply.expires_before_use,
    supply.recalled_lot_at_home,
    supply.item_unknown,
    supply.line_not_counted,
    records.row_set_aside,
    records.cell_not_read,
    records.near_match_ids,
    records.birth_date_implausible,
    records.weight_implausible,
    records.height_implausible,
    records.order_dates_implausible,
    records.delivery_dates_implausible,
    records.stock_count_above_deliveries,
    records.pump_reading_implausible,
)


def checks_in_force(policy: Policy) -> tuple[Check, ...]:
    """The catalogue, and one payer's rules of delivery where the policy switches them on."""
    return CHECKS + (DELIVERY_RULES if policy["delivery_timing_rules"] == "on" else ())


def check_named(name: str) -> Check | None:
    """The check of that name, or none; also of rules that are not switched on."""
    return next((known for known in CHECKS + DELIVERY_RULES if known.check == name), None)
