"""Which quantities a test is remembered by: they stand first, and get an interval of their own. Names only."""

from collections.abc import Mapping

HEADLINES: Mapping[str, tuple[str, ...]] = {
    "winding_resistance": (
        "resistance_between_terminals",
        "resistance_between_terminals_20",
        "terminal_resistance",
        "terminal_resistance_20",
    ),
    "torque_zero": ("torque_zero",),
    "no_load": ("no_load_speed", "no_load_current", "no_load_losses"),
    "back_emf": ("voltage_constant", "torque_constant"),
    "load": (
        "efficiency_at_rated_torque",
        "system_efficiency_at_rated_torque",
        "shaft_power_at_rated_torque",
        "output_power_at_rated_torque",
        "losses_at_rated_torque",
        "voltage_constant",
        "torque_constant",
        "winding_resistance_20",
    ),
    "duty_cycle": ("cycle_efficiency", "electrical_energy_in", "mechanical_energy_out", "rms_torque"),
    "rated_point": ("efficiency", "system_efficiency", "shaft_power", "losses"),
}
"""By kind of test; a kind of motor gives those of them that it has."""
