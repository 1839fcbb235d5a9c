"""Every kind of fault that a story tells, and where: what breaks -> folder/file::test. Not a test.

    kinds 1 to 12    a device is gone: unplugged in each state, hung, absent, another one in its place
    kinds 13 to 26   its answers are wrong: garbage, halves, late, previous, split, dripping, turned over, not a number
    kinds 27 to 31   it does not obey
    kinds 32 to 48   the plant and its sensors: leads, encoder, coupling, rotor, link, machines that run away
    kinds 49 to 57   people at the bench and at the broker
    kinds 58 to 72   the daemon, its machine and what stands beside it

A story in 120 judges by the plant's own truth: energy away in bounded time and joule, nothing comes on again, one
sentence that names the right thing, few lines, and a folder that is sound up to the fault. `test_forty_kinds.py` holds
this list to what there is.
"""

UNPLUGGED = "120_faults_one_by_one/test_each_device_unplugged.py::test_the_energy_goes_and_the_device_is_named"
ONE = "120_faults_one_by_one/test_one_by_one.py::test_the_energy_goes_and_the_cause_is_named"
DISAGREE = "120_faults_one_by_one/test_one_by_one.py::test_what_two_channels_tell_differently_is_seen"
TWO = "120_faults_one_by_one/test_two_drives.py::test_the_energy_goes_and_the_cause_is_named"
WIRE = "120_faults_one_by_one/test_over_the_wires.py::test_the_energy_goes_and_the_device_is_named"
DAEMON = "120_faults_one_by_one/test_the_daemon_itself.py::test_"
TRIPS = "../live/test_bench_trips.py::test_"
BRUSHLESS = "106_a_brushless_run_and_what_breaks_it/test_brushless_run.py::test_"
SENTRY = "014_the_sentry/test_sentry.py::test_"

KINDS: dict[str, str] = {
    # gone
    "unplugged while resetting": UNPLUGGED,
    "unplugged while starting": UNPLUGGED,
    "unplugged in a loaded run": UNPLUGGED,
    "unplugged while held": UNPLUGGED,
    "unplugged while completing": UNPLUGGED,
    "unplugged while stopping": UNPLUGGED,
    "the converter unplugged": TWO,
    "a device hangs": ONE,
    "a wire is half open: connected, and nothing is answered": WIRE,
    "connections are taken and closed": ONE,
    "a device is absent from the beginning": "004_supply_unplugged/test_supply_unplugged.py::"
    "test_a_device_where_nothing_listens_is_named_and_nothing_starts",
    "another device in its place": "004_supply_unplugged/test_supply_unplugged.py::"
    "test_another_device_in_its_place_is_refused_and_never_told_anything",
    # answers
    "garbage": ONE,
    "one late or garbled answer": "005_late_and_garbled_replies/test_late_and_garbled_replies.py::"
    "test_one_bad_reply_of_each_device_is_neither_a_trip_nor_a_value",
    "every answer late": ONE,
    "half an answer": ONE,
    "the previous answer": WIRE,
    "answers twice": ONE,
    "an answer to another question": ONE,
    "a bit turned over": WIRE,
    "another register": WIRE,
    "answers that drip": WIRE,
    "split answers, and connections lost once": "120_faults_one_by_one/test_over_the_wires.py::"
    "test_what_a_sound_bench_must_bear_trips_nothing_and_spoils_no_value",
    "not a number": ONE,
    "9.91E37": "120_faults_one_by_one/test_over_the_wires.py::test_the_largest_number_of_an_instrument_is_no_number",
    "a stuck value": DISAGREE,
    # obedience
    "set-points are refused": ONE,
    "set-points are confirmed and not obeyed": ONE,
    "the supply ignores that it shall be off": f"{TRIPS}"
    "a_supply_that_ignores_off_withdraws_the_permit_and_the_hardware_takes_the_energy",
    "the supply is slow to confirm": "104_supply_slow_to_confirm/test_backwards.py::"
    "test_the_shaft_does_not_turn_backwards",
    "the chain refuses the heartbeat": "120_faults_one_by_one/test_one_by_one.py::"
    "test_a_heartbeat_that_is_refused_is_named_as_the_cause",
    # plant and sensors
    "torque beyond its limit": f"{TRIPS}energy_goes_away_in_time_and_the_first_cause_is_latched",
    "transducer lead off": ONE,
    "transducer sign flipped": DISAGREE,
    "current lead off": ONE,
    "encoder lost": f"{TRIPS}energy_goes_away_in_time_and_the_first_cause_is_latched",
    "encoder shows no speed": DISAGREE,
    "winding thermometer open": f"{TRIPS}energy_goes_away_in_time_and_the_first_cause_is_latched",
    "coupling breaks at speed": DISAGREE,
    "coupling broken in a stop": f"{BRUSHLESS}with_a_broken_coupling_no_end_of_the_shaft_is_called_standing_while_the_"
    "other_turns",
    "rotor jams": ONE,
    "supply trips by its over-voltage protection": ONE,
    "sink fails while regenerating": "101_sink_lost_while_regenerating/test_sink_lost.py::"
    "test_the_link_and_the_shaft_stay_within_what_they_bear",
    "load drive runs away": "103_the_drive_runs_away/test_runs_away.py::"
    "test_it_is_let_go_before_the_supply_and_nothing_is_left_energised",
    "motor drive runs away": "110_struck_at_random/test_struck.py::test_what_a_stop_got_wrong_once_it_does_no_more",
    "a drive faults by itself": f"{BRUSHLESS}whatever_breaks_the_energy_goes_away_and_the_first_cause_is_latched",
    "two phases exchanged": f"{BRUSHLESS}"
    "with_two_phases_exchanged_no_point_is_played_and_the_cause_says_what_to_look_at",
    "power leads welded": f"{BRUSHLESS}power_leads_that_do_not_open_end_the_run_before_anything_is_on",
    # people
    "emergency stop": "003_emergency_stop/test_emergency_stop.py::"
    "test_what_a_person_does_at_the_bench_ends_the_run_as_tripped_with_its_cause",
    "guard opened": "003_emergency_stop/test_emergency_stop.py::"
    "test_what_a_person_does_at_the_bench_ends_the_run_as_tripped_with_its_cause",
    "selector turned to local": "003_emergency_stop/test_emergency_stop.py::"
    "test_what_a_person_does_at_the_bench_ends_the_run_as_tripped_with_its_cause",
    "emergency stop in a gentle abort": "102_emergency_stop_during_a_gentle_abort/test_hardened.py::"
    "test_the_supply_is_off_as_soon_as_something_worse_is_seen",
    "safe torque off flickers": ONE,
    "permit flickers": ONE,
    "Start sent twice": "120_faults_one_by_one/test_one_by_one.py::"
    "test_start_sent_twice_begins_nothing_and_disturbs_nothing",
    "what is no command": "013_commanded_over_mqtt/test_commanded.py::"
    "test_what_is_no_command_is_refused_and_changes_nothing",
    "two faults at random": "110_struck_at_random/test_struck.py::"
    "test_the_energy_goes_in_time_and_the_shaft_never_runs_on",
    # the daemon and beside it
    "the daemon is frozen": f"{DAEMON}a_daemon_that_is_frozen_and_goes_on_again_finds_its_bench_off_and_leaves_it_so",
    "the daemon is frozen under its sentry": f"{SENTRY}"
    "a_daemon_that_freezes_or_dies_loses_the_permit_long_before_the_heartbeat_would",
    "the daemon is killed": "002_daemon_killed/test_daemon_killed.py::"
    "test_a_killed_daemon_leaves_a_bench_that_comes_to_rest_and_a_folder_that_opens",
    "the daemon is told to end under load": "111_the_daemon_ends_under_load/test_ends.py::"
    "test_it_leaves_nothing_on_and_the_permit_as_it_was",
    "the daemon is out of memory": f"{DAEMON}without_memory_it_still_comes_to_rest_and_what_was_written_can_be_read",
    "the disk is full": f"{DAEMON}a_disk_that_takes_nothing_more_ends_the_run_and_keeps_what_it_had",
    "the clock is set by an hour": f"{DAEMON}a_clock_that_is_set_by_an_hour_moves_neither_the_run_nor_its_stamps",
    "the sentry is killed": f"{SENTRY}a_sentry_that_freezes_or_dies_opens_the_chain_and_the_daemon_says_so",
    "two daemons on one bench": "001_told_to_end/test_told_to_end.py::test_a_bench_has_one_daemon",
    "the report crashes": f"{DAEMON}a_report_that_crashes_costs_the_run_nothing",
    "the broker is killed and comes back": "013_commanded_over_mqtt/test_commanded.py::"
    "test_a_broker_that_is_killed_in_a_run_costs_neither_the_run_nor_an_event",
    "nobody reads what the daemon says": "006_nobody_reads/test_nobody_reads.py::"
    "test_a_full_pipe_behind_standard_error_stops_neither_tick_nor_stop",
    "a run folder is damaged": "011_a_damaged_folder/test_damaged_folder.py::",
    "leads are wrong": "010_wrong_leads/test_wrong_leads.py::",
    "a start that must be refused": "107_refused_at_the_start/test_refused.py::",
}
