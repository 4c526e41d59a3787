"""Fault classes that happen in the invented fleet, with their default effect and origin (fault_class.proto), and what
the invented controllers call them. Codes and texts belong to no real controller.
"""

from facts import ADVISORY, BLOCKING, DEGRADING, EXTERNAL, INTERNAL, PEOPLE, USER

# Fault class: default effect, origin, raw code, raw text.
CLASSES = {
    "power.mains_lost": (BLOCKING, EXTERNAL, "QZ-7001", "no feed"),
    "power.residual_current_tripped": (BLOCKING, INTERNAL, "QZ-7003", "leak breaker out"),
    "power.supply_isolated": (BLOCKING, PEOPLE, "QZ-7004", "bay switch off"),
    "drive.motor_overload_tripped": (BLOCKING, INTERNAL, "QZ-7110", "travel motor prot."),
    "drive.motor_overheated": (BLOCKING, INTERNAL, "QZ-7111", "travel motor hot"),
    "drive.converter_tripped": (BLOCKING, INTERNAL, "QZ-7112", "conv. trip travel"),
    "drive.travel_timeout": (BLOCKING, INTERNAL, "QZ-7115", "run too long"),
    "drive.track_obstructed": (BLOCKING, USER, "QZ-7117", "track not clear"),
    "drive.hoist_suspension_slack": (BLOCKING, INTERNAL, "QZ-7119", "belt slack dryer"),
    "position.home_not_reached": (BLOCKING, INTERNAL, "QZ-7201", "not home"),
    "position.reference_lost": (BLOCKING, INTERNAL, "QZ-7202", "ref. gone"),
    "position.sides_skewed": (BLOCKING, INTERNAL, "QZ-7203", "legs uneven"),
    "brushes.overhead_lift_failed": (BLOCKING, INTERNAL, "QZ-7302", "top brush stays low"),
    "brushes.rotation_failed": (BLOCKING, INTERNAL, "QZ-7303", "brush no turn"),
    "brushes.side_arm_overdeflected": (BLOCKING, USER, "QZ-7304", "side arm pushed"),
    "brushes.contact_force_low": (DEGRADING, INTERNAL, "QZ-7306", "brush load low"),
    "brushes.entangled": (BLOCKING, USER, "QZ-7307", "brush wrapped"),
    "brushes.running_dry": (BLOCKING, INTERNAL, "QZ-7308", "brush dry"),
    "brushes.filament_worn": (ADVISORY, INTERNAL, "QZ-7309", "brush hours"),
    "brushes.wheel_washer_failed": (DEGRADING, INTERNAL, "QZ-7310", "wheel unit left"),
    "spray.pump_fail_to_start": (DEGRADING, INTERNAL, "QZ-7401", "hp pump no run"),
    "spray.pressure_low": (DEGRADING, INTERNAL, "QZ-7402", "hp low"),
    "spray.pressure_high": (BLOCKING, INTERNAL, "QZ-7403", "hp over limit"),
    "spray.nozzle_plugged": (DEGRADING, INTERNAL, "QZ-7404", "pattern gap"),
    "spray.nozzle_drive_stalled": (DEGRADING, INTERNAL, "QZ-7405", "nozzle swing stop"),
    "dosing.level_low": (ADVISORY, INTERNAL, "QZ-7501", "canister low"),
    "dosing.empty": (DEGRADING, INTERNAL, "QZ-7502", "canister empty"),
    "dosing.line_not_primed": (DEGRADING, INTERNAL, "QZ-7503", "dosing air"),
    "dosing.flow_deviating": (DEGRADING, INTERNAL, "QZ-7504", "dosing off"),
    "water_supply.mains_low": (BLOCKING, EXTERNAL, "QZ-7601", "town water low"),
    "water_supply.tank_level_low": (DEGRADING, INTERNAL, "QZ-7602", "tank low"),
    "water_supply.booster_failed": (BLOCKING, INTERNAL, "QZ-7604", "booster no run"),
    "water_supply.softener_salt_low": (ADVISORY, INTERNAL, "QZ-7605", "salt"),
    "water_supply.osmosis_output_low": (DEGRADING, INTERNAL, "QZ-7606", "permeate low"),
    "reclaim.pump_not_primed": (DEGRADING, INTERNAL, "QZ-7701", "reclaim no prime"),
    "reclaim.level_low": (DEGRADING, INTERNAL, "QZ-7703", "pit low"),
    "reclaim.level_high": (BLOCKING, INTERNAL, "QZ-7704", "pit high"),
    "reclaim.filter_plugged": (DEGRADING, INTERNAL, "QZ-7705", "filter dp"),
    "reclaim.on_fresh_water": (ADVISORY, INTERNAL, "QZ-7706", "on fresh"),
    "reclaim.quality_poor": (DEGRADING, INTERNAL, "QZ-7707", "turbid"),
    "reclaim.separator_full": (BLOCKING, INTERNAL, "QZ-7711", "separator full"),
    "air_supply.pressure_low": (BLOCKING, INTERNAL, "QZ-7801", "air low"),
    "air_supply.compressor_fail_to_start": (BLOCKING, INTERNAL, "QZ-7803", "compressor no run"),
    "air_supply.compressor_overheated": (BLOCKING, INTERNAL, "QZ-7804", "compressor hot"),
    "air_supply.compressor_never_resting": (ADVISORY, INTERNAL, "QZ-7805", "compressor duty"),
    "dryers.fan_fail_to_start": (DEGRADING, INTERNAL, "QZ-7901", "fan 2 no run"),
    "dryers.nozzle_lift_failed": (BLOCKING, INTERNAL, "QZ-7902", "dryer stays low"),
    "doors.fail_to_open": (BLOCKING, INTERNAL, "QZ-8001", "door in shut"),
    "doors.fail_to_close": (DEGRADING, INTERNAL, "QZ-8002", "door out open"),
    "doors.obstructed": (BLOCKING, USER, "QZ-8003", "door beam"),
    "doors.suspension_broken": (BLOCKING, INTERNAL, "QZ-8004", "door rope"),
    "doors.barrier_stuck": (BLOCKING, INTERNAL, "QZ-8005", "barrier"),
    "bay.vehicle_held": (BLOCKING, USER, "QZ-8101", "car stays"),
    "bay.vehicle_not_accepted": (ADVISORY, USER, "QZ-8103", "car place"),
    "bay.exit_not_cleared": (ADVISORY, USER, "QZ-8104", "exit waits"),
    "conveyor.fail_to_start": (BLOCKING, INTERNAL, "QZ-8201", "chain no run"),
    "conveyor.pusher_jammed": (BLOCKING, INTERNAL, "QZ-8202", "pusher jam"),
    "conveyor.tracking_lost": (BLOCKING, INTERNAL, "QZ-8203", "car lost"),
    "conveyor.exit_collision_stop": (BLOCKING, USER, "QZ-8204", "exit stop"),
    "sensors.beam_blocked": (BLOCKING, INTERNAL, "QZ-8301", "beam dirty"),
    "sensors.beam_failed": (BLOCKING, INTERNAL, "QZ-8302", "beam dead"),
    "sensors.reading_implausible": (DEGRADING, INTERNAL, "QZ-8303", "contour odd"),
    "controls.controller_stopped": (BLOCKING, INTERNAL, "QZ-8401", "plc halt"),
    "controls.module_lost": (BLOCKING, INTERNAL, "QZ-8402", "module quiet"),
    "controls.manual_mode_left_on": (BLOCKING, PEOPLE, "QZ-8403", "hand mode"),
    "safety_circuit.emergency_stop_actuated": (BLOCKING, PEOPLE, "QZ-8501", "stop pressed"),
    "safety_circuit.guard_open": (BLOCKING, PEOPLE, "QZ-8502", "guard"),
    "safety_circuit.contact_edge_actuated": (BLOCKING, USER, "QZ-8503", "edge"),
    "safety_circuit.monitoring_faulted": (BLOCKING, INTERNAL, "QZ-8504", "safety relay"),
    "pay_point.offline": (BLOCKING, INTERNAL, "QZ-8601", "terminal quiet"),
    "pay_point.card_payment_unavailable": (DEGRADING, EXTERNAL, "QZ-8602", "no card line"),
    "pay_point.cash_jammed": (DEGRADING, INTERNAL, "QZ-8603", "coin jam"),
    "pay_point.supplies_low": (ADVISORY, INTERNAL, "QZ-8607", "paper"),
    "environment.frost_closure": (BLOCKING, EXTERNAL, "QZ-8701", "frost stop"),
    "environment.surface_icy": (BLOCKING, EXTERNAL, "QZ-8704", "ice at exit"),
    "upkeep.service_due": (ADVISORY, INTERNAL, "QZ-8801", "service"),
    "unclassified.fault": (BLOCKING, INTERNAL, "QZ-8999", "fault 8999"),
}

_GANTRY_BOTH = ["sensors.beam_blocked", "drive.travel_timeout", "position.home_not_reached", "pay_point.offline",
                "water_supply.booster_failed", "doors.barrier_stuck", "controls.module_lost"]
_GANTRY_BOTH_LONG = ["drive.converter_tripped", "drive.motor_overload_tripped", "position.sides_skewed",
                     "sensors.beam_failed", "controls.controller_stopped", "power.residual_current_tripped",
                     "safety_circuit.monitoring_faulted", "unclassified.fault"]

# Per kind of machine: stops that are soon over, stops that need a technician, stops a customer caused. Listed more
# than once: more frequent.
SHORT_STOPS = {
    "gantry": _GANTRY_BOTH + ["brushes.rotation_failed", "air_supply.pressure_low", "doors.fail_to_open",
                              "sensors.beam_blocked", "sensors.beam_blocked"],
    "spray_gantry": _GANTRY_BOTH + ["spray.pressure_low", "spray.pressure_low", "spray.pressure_high",
                                    "spray.nozzle_drive_stalled"],
    "tunnel": ["conveyor.fail_to_start", "conveyor.pusher_jammed", "conveyor.tracking_lost", "sensors.beam_blocked",
               "pay_point.offline", "doors.barrier_stuck"],
    "reclaim": ["reclaim.level_high"],
    "air": ["air_supply.compressor_overheated", "air_supply.pressure_low"],
}
LONG_STOPS = {
    "gantry": _GANTRY_BOTH_LONG + ["brushes.overhead_lift_failed", "dryers.nozzle_lift_failed",
                                   "drive.hoist_suspension_slack", "doors.suspension_broken"],
    "spray_gantry": _GANTRY_BOTH_LONG + ["spray.pump_fail_to_start", "spray.pump_fail_to_start"],
    "tunnel": ["conveyor.fail_to_start", "brushes.overhead_lift_failed", "controls.controller_stopped",
               "drive.converter_tripped", "dryers.nozzle_lift_failed"],
    "reclaim": ["reclaim.separator_full"],
    "air": ["air_supply.compressor_fail_to_start"],
}
USER_STOPS = {
    "gantry": ["brushes.side_arm_overdeflected", "brushes.entangled", "drive.track_obstructed", "doors.obstructed",
               "bay.vehicle_held", "safety_circuit.contact_edge_actuated"],
    "spray_gantry": ["drive.track_obstructed", "doors.obstructed", "bay.vehicle_held",
                     "safety_circuit.contact_edge_actuated"],
    "tunnel": ["conveyor.exit_collision_stop", "bay.vehicle_held", "brushes.side_arm_overdeflected"],
    "reclaim": [],
    "air": [],
}
PEOPLE_STOPS = ["safety_circuit.emergency_stop_actuated", "safety_circuit.guard_open", "controls.manual_mode_left_on",
                "power.supply_isolated"]
DEGRADINGS = {
    "gantry": ["dosing.empty", "dosing.line_not_primed", "dosing.flow_deviating", "dryers.fan_fail_to_start",
               "brushes.wheel_washer_failed", "brushes.contact_force_low", "pay_point.card_payment_unavailable",
               "pay_point.cash_jammed", "sensors.reading_implausible", "water_supply.osmosis_output_low"],
    "spray_gantry": ["dosing.empty", "dosing.line_not_primed", "spray.nozzle_plugged",
                     "pay_point.card_payment_unavailable", "water_supply.osmosis_output_low"],
    "tunnel": ["dosing.empty", "dosing.flow_deviating", "dryers.fan_fail_to_start", "brushes.wheel_washer_failed",
               "sensors.reading_implausible", "doors.fail_to_close"],
    "reclaim": ["reclaim.pump_not_primed", "reclaim.filter_plugged", "reclaim.quality_poor", "reclaim.level_low"],
    "air": [],
}
ADVISORIES = {
    "gantry": ["dosing.level_low", "brushes.filament_worn", "water_supply.softener_salt_low", "upkeep.service_due",
               "pay_point.supplies_low", "bay.vehicle_not_accepted", "bay.vehicle_not_accepted",
               "bay.exit_not_cleared"],
    "spray_gantry": ["dosing.level_low", "water_supply.softener_salt_low", "bay.vehicle_not_accepted",
                     "bay.exit_not_cleared", "pay_point.supplies_low"],
    "tunnel": ["dosing.level_low", "brushes.filament_worn", "upkeep.service_due", "bay.exit_not_cleared"],
    "reclaim": ["reclaim.on_fresh_water", "upkeep.service_due"],
    "air": ["air_supply.compressor_never_resting", "upkeep.service_due"],
}
# Only ever cleared, never raised: a controller that resets more than it set.
STRAY = "brushes.running_dry"

# A machine that washes with nozzles only is stopped by what merely degrades another.
BLOCKS_NOZZLE_MACHINES = {"spray.pump_fail_to_start", "spray.pressure_low", "spray.nozzle_drive_stalled"}


def enum_name(name):
    return "FAULT_CLASS_" + name.replace(".", "_").upper()
