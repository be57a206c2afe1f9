BEGIN TRANSACTION;
CREATE TABLE arm_set (
	id INTEGER NOT NULL, 
	session_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	side TEXT NOT NULL, 
	role TEXT NOT NULL, 
	drill TEXT NOT NULL, 
	direction TEXT NOT NULL, 
	start_s FLOAT, 
	end_s FLOAT, 
	reps_asked INTEGER, 
	reps_done INTEGER, 
	reps_scored INTEGER, 
	reps_clean INTEGER, 
	load_kg FLOAT, 
	band TEXT, 
	pain FLOAT, 
	effort FLOAT, 
	headline TEXT NOT NULL, 
	PRIMARY KEY (id), 
	CONSTRAINT arm_set_once UNIQUE (session_id, number, side, role), 
	FOREIGN KEY(session_id) REFERENCES session (id) ON DELETE CASCADE
);
INSERT INTO "arm_set" VALUES(1,1,1,'right','lift','full_can','diagonal',60.0,92.721,3,3,3,3,NULL,NULL,0.0,4.0,'3 of 3 reps, 3 clean. Held 5.8 s of 5 s (median).');
INSERT INTO "arm_set" VALUES(2,2,1,'right','lift','full_can','diagonal',60.0,92.128,3,3,3,2,NULL,NULL,0.0,4.0,'3 of 3 reps, 2 clean. Held 5.5 s of 5 s (median).');
INSERT INTO "arm_set" VALUES(3,3,1,'right','lift','full_can','diagonal',60.0,93.804,3,3,3,3,NULL,NULL,0.0,4.0,'3 of 3 reps, 3 clean. Held 5.7 s of 5 s (median).');
CREATE TABLE athlete (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	person TEXT NOT NULL, 
	name TEXT NOT NULL, 
	added_at TEXT NOT NULL, 
	dominant_side TEXT, 
	involved_side TEXT, 
	after_surgery TEXT DEFAULT '' NOT NULL, 
	instability TEXT DEFAULT '' NOT NULL, 
	pain_ceiling FLOAT NOT NULL, 
	age_band TEXT, 
	changes INTEGER DEFAULT '0' NOT NULL, 
	UNIQUE (person)
);
INSERT INTO "athlete" VALUES(1,'m.k.','M.K.','2026-11-30T00:09:05Z','right','left','','',2.0,'18-29',4);
CREATE TABLE decision (
	id INTEGER NOT NULL, 
	athlete_id INTEGER NOT NULL, 
	session_id INTEGER NOT NULL, 
	drill TEXT NOT NULL, 
	side TEXT NOT NULL, 
	advice JSON NOT NULL, 
	decision TEXT NOT NULL, 
	why TEXT NOT NULL, 
	who TEXT NOT NULL, 
	at TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE, 
	FOREIGN KEY(session_id) REFERENCES session (id) ON DELETE CASCADE
);
INSERT INTO "decision" VALUES(1,1,3,'full_can','right','{"advice": "stay"}','accepted','as it says','Coach','2026-11-30T00:09:06Z');
CREATE TABLE drill_summary (
	athlete_id INTEGER NOT NULL, 
	session_id INTEGER NOT NULL, 
	start_utc TEXT NOT NULL, 
	made_by TEXT NOT NULL, 
	drill TEXT NOT NULL, 
	direction TEXT NOT NULL, 
	side TEXT NOT NULL, 
	role TEXT NOT NULL, 
	sets INTEGER NOT NULL, 
	reps_asked INTEGER, 
	reps_done INTEGER, 
	reps_scored INTEGER, 
	clean_share FLOAT, 
	load_kg FLOAT, 
	effort FLOAT, 
	pain FLOAT, 
	start_deg FLOAT, 
	top_deg FLOAT, 
	arc_deg FLOAT, 
	lift_s FLOAT, 
	hold_s FLOAT, 
	lower_s FLOAT, 
	rest_s FLOAT, 
	peak_velocity_deg_s FLOAT, 
	hold_sd_deg FLOAT, 
	hold_drift_deg_s FLOAT, 
	hold_tremor_deg_s FLOAT, 
	time_in_band_pct FLOAT, 
	smoothness_lift FLOAT, 
	smoothness_lower FLOAT, 
	elbow_deg FLOAT, 
	thumb_up_deg FLOAT, 
	plane_deg FLOAT, 
	trunk_lean_deg FLOAT, 
	more JSON, 
	PRIMARY KEY (athlete_id, start_utc, session_id, drill, direction, side, role), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE, 
	FOREIGN KEY(session_id) REFERENCES session (id) ON DELETE CASCADE
)
 WITHOUT ROWID

;
INSERT INTO "drill_summary" VALUES(1,1,'2026-05-02T17:30:00Z','0.1.0 7421b9a4cdda','full_can','diagonal','right','lift',1,3,3,3,1.0,NULL,4.0,0.0,6.007,90.5,85.5,1.775,5.76,2.079,1.0,90.971,1.245,-0.142,0.996,96.652,-1.838,-1.835,8.218,56.584,34.705,2.036,NULL);
INSERT INTO "drill_summary" VALUES(1,2,'2026-05-04T17:30:00Z','0.1.0 7421b9a4cdda','full_can','diagonal','right','lift',1,3,3,3,6.66666666666666629659e-01,NULL,4.0,0.0,5.253,88.322,83.322,1.866,5.538,2.036,1.0,84.832,1.326,-0.135,1.061,95.67,-1.92,-1.832,8.891,61.282,34.223,1.861,NULL);
INSERT INTO "drill_summary" VALUES(1,3,'2026-05-06T17:30:00Z','0.1.0 7421b9a4cdda','full_can','diagonal','right','lift',1,3,3,3,1.0,NULL,4.0,0.0,3.475,84.992,79.992,2.075,5.682,2.224,1.0,72.186,1.109,-0.2,0.888,94.482,-1.835,-1.918,7.36,54.536,34.84,1.771,NULL);
CREATE TABLE exported (
	id INTEGER NOT NULL, 
	athlete_id INTEGER, 
	path TEXT NOT NULL, 
	what TEXT NOT NULL, 
	at TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE
);
CREATE TABLE journal (
	id INTEGER NOT NULL, 
	athlete_id INTEGER, 
	at TEXT NOT NULL, 
	who TEXT NOT NULL, 
	what TEXT NOT NULL, 
	detail TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE
);
INSERT INTO "journal" VALUES(1,1,'2026-11-30T00:09:05Z','Coach','profile changed','dominant_side: None to ''right''; involved_side: None to ''left''; age_band: None to ''18-29''');
INSERT INTO "journal" VALUES(2,1,'2026-11-30T00:09:05Z','Coach','plan changed','version 1: first plan');
CREATE TABLE note (
	id INTEGER NOT NULL, 
	athlete_id INTEGER NOT NULL, 
	session_id INTEGER, 
	set_number INTEGER, 
	side TEXT, 
	author TEXT NOT NULL, 
	who TEXT NOT NULL, 
	at TEXT NOT NULL, 
	text TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE, 
	FOREIGN KEY(session_id) REFERENCES session (id) ON DELETE CASCADE
);
INSERT INTO "note" VALUES(1,1,3,NULL,NULL,'coach','Coach','2026-11-30T00:09:06Z','Moves well.');
CREATE TABLE parameters (
	sha256 TEXT NOT NULL, 
	contents JSON NOT NULL, 
	PRIMARY KEY (sha256)
);
INSERT INTO "parameters" VALUES('7421b9a4cddada2ccff31870bee1e048d6509ed65f088ff5980a39946d264982','{"afterwards": true, "align": {"rate_hz": null, "bridge_s": 0.05, "rate_tolerance": 0.01, "stuck_s": 1.0, "latency_s": 0.25}, "orient": {"method": "vqf", "tau_acc_s": 3.0, "bias_sd_left_deg_s": 0.05, "stillness": {"window_s": 1.0, "piece_s": 3.0, "max_spread_rad_s": 0.0436332, "max_rate_rad_s": 0.0261799, "max_turn_rad_s": 0.0436332, "max_bias_rad_s": 0.0872665, "restless_rad_s": 0.122173, "sway_rad": 0.00872665, "sway_s": 0.4, "tilt_rad_s": 0.00872665, "tilt": 0.4, "apart_rad_s": 0.000261799, "bias_walk_rad_s_sqrt_s": 3.49066e-05, "surprise": 2.5}, "offset": {"offset_m_s2": 0.3, "gravity_m_s2": 0.03, "still_m_s2": 0.02, "apart_rad": 0.785398}}, "heading": {"quiet_rad_s": 0.0872665, "move_rad_s": 0.20944, "min_quiet_s": 0.4, "longest_s": 3.0, "same_posture_rad": 0.20944, "same_heading_rad": 0.349066, "neutral_rad": 0.436332, "return_rad": 0.0314159, "rest_rad": 0.10472, "relaxed_rad": 0.349066, "start_rad": 0.349066, "step_rad": 0.00174533, "sway_rad": 0.00872665, "bias_rad_s": 0.00698132, "turn_rad": 3.14159, "stay_rad": 0.0174533, "unseen_rad": 0.349066, "bridged": 0.25, "lost_rad": 0.0872665, "travel_rad": 1.0472, "links": 6, "shared": {"window_s": 0.5, "stretch_rad": 0.523599, "least_turned_rad": 0.174533, "scatter": 1.5, "tilt_rad": 0.0174533, "bias_rad_s": 0.00698132, "skin_rad": 0.0174533, "most_sd_rad": 0.174533}}, "calibrate": {"min_pose_s": 1.5, "max_sway_deg": 3.0}, "slip": {"least_rad": 0.174533, "least_evidence": 5.5, "sure_evidence": 9.0, "hand_rad": 0.785398, "pulse_s": [0.3, 0.5], "windows": 2.0, "alone": 1.5, "pulse_least_rad": 0.15708, "pulse_sd_rad": 0.0523599, "beside": 1.75, "pulse_clear": 1.5, "stay_rad": 0.0698132, "set_rad": 0.0698132, "rest_rad": 0.122173, "like_rad": 0.610865, "links": 12, "cap": 2.5, "lasting_s": 10.0}, "mounting": {"sway_rad_s": 0.174533, "turned_rad": 3.14159, "times": 4.0, "raised_rad": 0.872665, "still_rad": 0.314159, "further": 1.4, "shaken_m_s2": 0.3, "person_rad_s": 0.00261799}, "angles": {"plane_from_deg": 15.0, "plane_to_deg": 165.0, "leant_deg": 30.0, "forearm_from_deg": 15.0, "forearm_full_deg": 25.0, "anchored_from_deg": 25.0, "anchored_full_deg": 45.0, "carrying_deg": 11.9, "skin_share": 0.7, "skin_share_sd": 0.12, "estimate_skin": true, "straight": {"hang_deg": 10.0, "skin_lift_deg": 7.0, "hand_deg": 10.0, "hand_again_deg": 4.0, "elbow_axis_deg": 4.0}, "scapula": {"skin_deg": 6.0, "lean_deg": 6.0, "share": 0.315, "share_sd": 0.055, "hanging_deg": 15.0, "largest_azimuth_deg": 20.0}}, "uncertainty": {"inclination_deg": 0.53, "zero_offset_deg": 0.85, "pose_out_deg": 3.0, "pose_forward_deg": 2.0, "elbow_pose_deg": 4.2, "elbow_stop_deg": 3.0, "forearm_pose_deg": 5.5, "azimuth_deg": 10.0, "bend_axis_deg": 3.0, "carrying_deg": 8.0, "forward_deg": 4.0, "bends_forward_deg": 8.0, "reused_apart_deg": 8.0, "standing_lean_deg": 3.0, "any_lean_deg": 53.5714, "lying_deg": 15.0, "trunk_pose_deg": 1.9, "trunk_azimuth_deg": 2.0}, "segment": {"reps": {"attempt_share": 0.35, "counts_share": 0.5, "partial_share": 0.25, "return_share": 0.4, "whole_return_share": 0.62, "rest_s": 1.4, "false_start_deg": 5.0, "false_start_velocity_deg_s": 5.0, "cut_deg": 3.0, "cut_share": 0.05}}, "judge": {"fault_from": 0.8, "close_from": 0.2, "least_sd_deg": 1.0, "change_sd_share": 0.05, "station_sd_s": 0.15, "gap_s": 0.15, "clipped_s": 0.05, "heading_sd_deg": 10.0, "shrug_deg": 3.0, "shrug_sds": 3.0, "shrug_told_deg": 12.0, "start_margin_deg": 6.0, "start_margin_share": 0.3}, "stream": {"settled_s": 0.4, "counted_s": 0.1, "returned_share": 0.5, "paused_share": 0.25, "stuck_s": 2.0, "segment_s": 0.2, "window_s": 45.0, "grid_hz": 50.0, "arrive_deg_s": 8.0, "leave_deg_s": 12.0, "velocity_s": 0.2, "unseen_s": 0.4, "keep_s": 120.0}}');
CREATE TABLE plan_version (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	athlete_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	toml TEXT NOT NULL, 
	who TEXT NOT NULL, 
	at TEXT NOT NULL, 
	valid_from TEXT NOT NULL, 
	why TEXT DEFAULT '' NOT NULL, 
	CONSTRAINT plan_version_once UNIQUE (athlete_id, number), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE
);
INSERT INTO "plan_version" VALUES(1,1,1,'schema = 1
athlete = "M.K."
[[drill]]
id = "full_can"
side = "right"
sets = 1
reps = 3
','Coach','2026-11-30T00:09:05Z','2026-05-01T00:00:00Z','first plan');
CREATE TABLE rep (
	set_id INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	start_s FLOAT, 
	top_start_s FLOAT, 
	top_end_s FLOAT, 
	end_s FLOAT, 
	faults TEXT NOT NULL, 
	close TEXT NOT NULL, 
	excluded TEXT NOT NULL, 
	start_deg FLOAT, 
	top_deg FLOAT, 
	arc_deg FLOAT, 
	lift_s FLOAT, 
	hold_s FLOAT, 
	lower_s FLOAT, 
	rest_s FLOAT, 
	peak_velocity_deg_s FLOAT, 
	hold_sd_deg FLOAT, 
	hold_drift_deg_s FLOAT, 
	hold_tremor_deg_s FLOAT, 
	time_in_band_pct FLOAT, 
	smoothness_lift FLOAT, 
	smoothness_lower FLOAT, 
	elbow_deg FLOAT, 
	thumb_up_deg FLOAT, 
	plane_deg FLOAT, 
	trunk_lean_deg FLOAT, 
	more JSON, 
	PRIMARY KEY (set_id, place), 
	FOREIGN KEY(set_id) REFERENCES arm_set (id) ON DELETE CASCADE
)
 WITHOUT ROWID

;
INSERT INTO "rep" VALUES(1,0,1,62.0,63.719,69.479,71.558,'','','',6.294,90.5,85.5,1.719,5.76,2.079,1.0,94.504,1.408,-0.289,1.126,96.641,-1.911,-1.835,4.704,53.863,32.166,2.036,NULL);
INSERT INTO "rep" VALUES(1,1,2,72.558,74.333,79.798,81.813,'','','',6.007,89.968,84.968,1.775,5.465,2.015,1.0,90.971,1.245,-0.117,0.996,96.652,-1.838,-1.834,8.335,56.584,34.705,1.494,NULL);
INSERT INTO "rep" VALUES(1,2,3,82.813,84.689,90.49,92.721,'','','',2.289,91.005,86.005,1.876,5.801,2.231,1.0,87.109,0.828,-0.142,0.662,100.0,-1.596,-1.951,8.218,59.64,35.286,2.594,NULL);
INSERT INTO "rep" VALUES(2,0,1,62.0,63.717,69.255,71.291,'short_arc','','',4.189,86.452,81.452,1.717,5.538,2.036,1.0,90.15,1.326,-0.01,1.061,95.67,-1.781,-1.812,7.998,64.381,34.223,1.861,NULL);
INSERT INTO "rep" VALUES(2,1,2,72.291,74.158,79.111,81.122,'','','',5.752,88.322,83.322,1.866,4.953,2.011,1.0,84.832,0.998,-0.135,0.798,94.663,-1.963,-1.832,8.891,61.282,38.167,2.033,NULL);
INSERT INTO "rep" VALUES(2,2,3,82.122,84.306,89.855,92.128,'','','',5.253,89.058,84.058,2.184,5.549,2.273,1.0,73.126,1.47,-0.248,1.176,98.326,-1.92,-1.964,8.937,59.526,28.247,0.575,NULL);
INSERT INTO "rep" VALUES(3,0,1,62.0,63.907,69.84,72.019,'','','',3.475,88.721,83.721,1.907,5.933,2.179,1.0,83.405,0.973,0.155,0.778,97.767,-1.835,-1.872,7.36,54.381,34.84,1.579,NULL);
INSERT INTO "rep" VALUES(3,1,2,73.019,75.13,80.813,83.2,'','','',2.534,84.992,79.992,2.111,5.682,2.388,1.0,71.989,1.42,-0.2,1.136,93.478,-1.747,-1.918,6.099,54.536,34.838,1.771,NULL);
INSERT INTO "rep" VALUES(3,2,3,84.2,86.275,91.58,93.804,'','','',5.617,83.837,78.837,2.075,5.305,2.224,1.0,72.186,1.109,-0.225,0.888,94.482,-1.841,-1.984,8.013,67.285,36.535,2.425,NULL);
CREATE TABLE scatter (
	athlete_id INTEGER NOT NULL, 
	drill TEXT NOT NULL, 
	direction TEXT NOT NULL, 
	side TEXT NOT NULL, 
	measure TEXT NOT NULL, 
	sum_squares FLOAT NOT NULL, 
	terms INTEGER NOT NULL, 
	sessions INTEGER NOT NULL, 
	PRIMARY KEY (athlete_id, drill, direction, side, measure), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE
);
INSERT INTO "scatter" VALUES(1,'full_can','diagonal','right','hold_sd_deg',9.73966795567033673253e-03,1,3);
INSERT INTO "scatter" VALUES(1,'full_can','diagonal','right','hold_s',2.23259999999999569908e-02,1,3);
INSERT INTO "scatter" VALUES(1,'full_can','diagonal','right','arc_deg',2.2118399999999494021e-01,1,3);
INSERT INTO "scatter" VALUES(1,'full_can','diagonal','right','lower_s',0.00889350000000006,1,3);
INSERT INTO "scatter" VALUES(1,'full_can','diagonal','right','clean_share',2.52543514523323187059e-01,1,3);
CREATE TABLE schema_version (
	version INTEGER NOT NULL
);
INSERT INTO "schema_version" VALUES(2);
CREATE TABLE session (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	athlete_id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	start_utc TEXT NOT NULL, 
	start TEXT NOT NULL, 
	name TEXT NOT NULL, 
	duration_s FLOAT, 
	data_sha256 TEXT, 
	content_sha256 TEXT, 
	kept TEXT, 
	source TEXT, 
	added_at TEXT NOT NULL, 
	version TEXT, 
	parameters_sha256 TEXT, 
	plan_version_id INTEGER, 
	done TEXT, 
	sets_asked INTEGER, 
	sets_done INTEGER, 
	reps_asked INTEGER, 
	reps_done INTEGER, 
	reps_scored INTEGER, 
	reps_clean INTEGER, 
	pain_before FLOAT, 
	pain_highest FLOAT, 
	pain_next_morning FLOAT, 
	pain_over BOOLEAN DEFAULT '0' NOT NULL, 
	effort FLOAT, 
	note TEXT DEFAULT '' NOT NULL, 
	summary JSON, 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE, 
	UNIQUE (data_sha256), 
	FOREIGN KEY(parameters_sha256) REFERENCES parameters (sha256), 
	FOREIGN KEY(plan_version_id) REFERENCES plan_version (id) ON DELETE SET NULL
);
INSERT INTO "session" VALUES(1,1,'recorded','2026-05-02T17:30:00Z','2026-05-02T17:30:00+00:00','session_1',137.721,NULL,NULL,NULL,NULL,'2026-11-30T00:09:05Z','0.1.0','7421b9a4cddada2ccff31870bee1e048d6509ed65f088ff5980a39946d264982',1,NULL,1,1,3,3,3,3,NULL,0.0,NULL,0,4.0,'','{"schema": 1, "recording": {"name": "session_1", "athlete": "M.K.", "start": "2026-05-02T17:30:00+00:00", "duration_s": 137.721, "sha256": {}}, "versions": {"imu_shoulder": "0.1.0"}, "parameters_changed": {}, "calibration": {}, "no_pose": "", "elevation_reference": "trunk", "data_quality": {}, "findings": [], "not_seen": ["Nothing was measured: this athlete is invented."], "cautions": ["This is a training aid, not a medical device. It clears nobody for anything: the licensed practitioner decides.", "Keep pain at or under the ceiling your practitioner set (2 of 10 where none was set). Above it: stop.", "Emergency help at once: chest pain or pressure, with or without breathlessness, or spreading to arm, jaw or back; and collapse.", "Emergency department: a suspected fracture or dislocation; a joint that may be infected (hot, red, swollen, fever); sudden serious loss of strength or feeling in the arm.", "A practitioner within days: an arm that suddenly cannot be raised after an injury; pain that wakes you at night or stays the next morning.", "Pain at the shoulder may come from the heart, the belly or the neck."], "pain": {"ceiling": 2.0, "before": null, "highest": 0.0, "over": [], "unrated": [], "text": "Pain was rated 0 of 10."}, "notes": [], "sets": [{"set": 1, "drill": "full_can", "title": "Full can raise", "direction": "diagonal", "cautions": ["Keep pain at or under your ceiling (2 of 10 unless your practitioner set another); above it, stop.", "Stop the set when the shoulder hitches up to get the arm there."], "side": "right", "role": "lift", "start_s": 60.0, "end_s": 92.721, "angle": "elevation", "band_deg": null, "asked": {"reps": 3, "sets": 1, "by": "plan", "hold_s": 5.0, "lift_at_least_s": 1.0, "lower_at_least_s": 1.0, "source": "the plan plan, version 1"}, "done": {"reps": 3, "scored": 3, "clean": 3, "extra": 0, "excluded": 0}, "unseen_s": 0.0, "headline": "3 of 3 reps, 3 clean. Held 5.8 s of 5 s (median).", "change": "", "criteria": [{"name": "arc", "asked": "75 to 105 deg at the top", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "hold", "asked": "5 s at the top", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "tempo", "asked": "at least 1 s up and 1 s down", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "thumb", "asked": "at least 30 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "elbow", "asked": "at most 25 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "plane", "asked": "20 to 60 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "trunk", "asked": "moves no more than 8 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "start", "asked": "comes back to the start", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}], "faults": [], "holding": null, "excluded": [], "steadiness": {"hold_sd_deg": {"median": 1.245, "n": 3}}, "tempo": {"lift_s": {"median": 1.775, "n": 3}, "hold_s": {"median": 5.76, "n": 3}, "lower_s": {"median": 2.079, "n": 3}}, "judged": true, "side_difference": null, "notes": [], "close": [], "pain": 0.0, "effort": 4.0, "live": null, "load_kg": null, "note": null, "pain_over": false}], "range": null, "plan": {"file": "plan, version 1", "athlete": "M.K.", "pain_ceiling": 2.0, "limits_first": [], "drills": [{"drill": "full_can", "title": "Full can raise", "side": "right", "asked": {"sets": 1, "reps": {"right": 3}, "hold_s": 5.0, "lift_at_least_s": 1.0, "lower_at_least_s": 1.0, "load_kg": null, "band": null}, "done": [{"set": 1, "side": "right", "unseen_s": 0.0, "reps": 3, "clean": 3, "load_kg": null}], "status": "done", "load_differs": false, "text": "Full can raise, right arm: 3 of 3 reps."}], "skipped": [], "extra": [], "order_kept": true, "order_text": "The drills were begun in the order of the plan.", "text": "Plan: 1 of 1 drills done as asked.", "lines": ["Plan: 1 of 1 drills done as asked."]}, "advice": [{"drill": "full_can", "title": "Full can raise", "side": "right", "role": "lift", "advice": "stay", "rule": "no other rule is met", "because": [{"session": "session_1", "start": "2026-05-02T17:30:00+00:00", "set": 1, "reps": [1, 2, 3], "clean": [1, 2, 3], "missed": [], "pain": 0.0, "met": null, "text": "set 1: 3 of 3 reps, 3 clean, pain 0"}], "prerequisites": [], "missing": ["the same in 1 session more"], "steps": [], "next": ["full_can_hold_and_lift", "overhead_short_arc"], "next_takes": "in each of the latest 2 sessions every set, at least 2 of them, with all asked reps done, at least 80 % of the asked reps clean, pain rated and within the ceiling", "text": "Full can raise, right arm: stay at this step. Missing first: the same in 1 session more. From set 1: 3 of 3 reps, 3 clean, pain 0. The practitioner decides."}], "first_lines": ["Pain was rated 0 of 10.", "1 set: 3 of 3 asked reps done, all clean."]}');
INSERT INTO "session" VALUES(2,1,'recorded','2026-05-04T17:30:00Z','2026-05-04T17:30:00+00:00','session_2',137.128,NULL,NULL,NULL,NULL,'2026-11-30T00:09:05Z','0.1.0','7421b9a4cddada2ccff31870bee1e048d6509ed65f088ff5980a39946d264982',1,NULL,1,1,3,3,3,2,NULL,0.0,NULL,0,4.0,'','{"schema": 1, "recording": {"name": "session_2", "athlete": "M.K.", "start": "2026-05-04T17:30:00+00:00", "duration_s": 137.128, "sha256": {}}, "versions": {"imu_shoulder": "0.1.0"}, "parameters_changed": {}, "calibration": {}, "no_pose": "", "elevation_reference": "trunk", "data_quality": {}, "findings": [], "not_seen": ["Nothing was measured: this athlete is invented."], "cautions": ["This is a training aid, not a medical device. It clears nobody for anything: the licensed practitioner decides.", "Keep pain at or under the ceiling your practitioner set (2 of 10 where none was set). Above it: stop.", "Emergency help at once: chest pain or pressure, with or without breathlessness, or spreading to arm, jaw or back; and collapse.", "Emergency department: a suspected fracture or dislocation; a joint that may be infected (hot, red, swollen, fever); sudden serious loss of strength or feeling in the arm.", "A practitioner within days: an arm that suddenly cannot be raised after an injury; pain that wakes you at night or stays the next morning.", "Pain at the shoulder may come from the heart, the belly or the neck."], "pain": {"ceiling": 2.0, "before": null, "highest": 0.0, "over": [], "unrated": [], "text": "Pain was rated 0 of 10."}, "notes": [], "sets": [{"set": 1, "drill": "full_can", "title": "Full can raise", "direction": "diagonal", "cautions": ["Keep pain at or under your ceiling (2 of 10 unless your practitioner set another); above it, stop.", "Stop the set when the shoulder hitches up to get the arm there."], "side": "right", "role": "lift", "start_s": 60.0, "end_s": 92.128, "angle": "elevation", "band_deg": null, "asked": {"reps": 3, "sets": 1, "by": "plan", "hold_s": 5.0, "lift_at_least_s": 1.0, "lower_at_least_s": 1.0, "source": "the plan plan, version 1"}, "done": {"reps": 3, "scored": 3, "clean": 2, "extra": 0, "excluded": 0}, "unseen_s": 0.0, "headline": "3 of 3 reps, 2 clean. Held 5.5 s of 5 s (median).", "change": "", "criteria": [{"name": "arc", "asked": "75 to 105 deg at the top", "met": [2, 3], "missed": [1], "unknown": [], "share": 0.6666666666666666, "numbers": {}}, {"name": "hold", "asked": "5 s at the top", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "tempo", "asked": "at least 1 s up and 1 s down", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "thumb", "asked": "at least 30 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "elbow", "asked": "at most 25 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "plane", "asked": "20 to 60 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "trunk", "asked": "moves no more than 8 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "start", "asked": "comes back to the start", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}], "faults": [{"name": "short_arc", "reps": [1]}], "holding": null, "excluded": [], "steadiness": {"hold_sd_deg": {"median": 1.326, "n": 3}}, "tempo": {"lift_s": {"median": 1.866, "n": 3}, "hold_s": {"median": 5.538, "n": 3}, "lower_s": {"median": 2.036, "n": 3}}, "judged": true, "side_difference": null, "notes": [], "close": [], "pain": 0.0, "effort": 4.0, "live": null, "load_kg": null, "note": null, "pain_over": false}], "range": null, "plan": {"file": "plan, version 1", "athlete": "M.K.", "pain_ceiling": 2.0, "limits_first": [], "drills": [{"drill": "full_can", "title": "Full can raise", "side": "right", "asked": {"sets": 1, "reps": {"right": 3}, "hold_s": 5.0, "lift_at_least_s": 1.0, "lower_at_least_s": 1.0, "load_kg": null, "band": null}, "done": [{"set": 1, "side": "right", "unseen_s": 0.0, "reps": 3, "clean": 2, "load_kg": null}], "status": "done", "load_differs": false, "text": "Full can raise, right arm: 3 of 3 reps."}], "skipped": [], "extra": [], "order_kept": true, "order_text": "The drills were begun in the order of the plan.", "text": "Plan: 1 of 1 drills done as asked.", "lines": ["Plan: 1 of 1 drills done as asked."]}, "advice": [{"drill": "full_can", "title": "Full can raise", "side": "right", "role": "lift", "advice": "stay", "rule": "no other rule is met", "because": [{"session": "session_2", "start": "2026-05-04T17:30:00+00:00", "set": 1, "reps": [1, 2, 3], "clean": [2, 3], "missed": [1], "pain": 0.0, "met": null, "text": "set 1: 3 of 3 reps, 2 clean (rep 1 not), pain 0"}], "prerequisites": [], "missing": ["at least 80 % of the reps clean (set 1: 2 of 3)", "the same in 1 session more"], "steps": [], "next": ["full_can_hold_and_lift", "overhead_short_arc"], "next_takes": "in each of the latest 2 sessions every set, at least 2 of them, with all asked reps done, at least 80 % of the asked reps clean, pain rated and within the ceiling", "text": "Full can raise, right arm: stay at this step. Missing first: at least 80 % of the reps clean (set 1: 2 of 3). Then: the same in 1 session more. From set 1: 3 of 3 reps, 2 clean (rep 1 not), pain 0. The practitioner decides."}], "first_lines": ["Pain was rated 0 of 10.", "1 set: 3 of 3 asked reps done, 2 clean.", "Fewest clean reps: Full can raise, right arm, 2 of 3; arc too short (set 1, rep 1)."]}');
INSERT INTO "session" VALUES(3,1,'recorded','2026-05-06T17:30:00Z','2026-05-06T17:30:00+00:00','session_3',138.804,NULL,NULL,NULL,NULL,'2026-11-30T00:09:06Z','0.1.0','7421b9a4cddada2ccff31870bee1e048d6509ed65f088ff5980a39946d264982',1,NULL,1,1,3,3,3,3,NULL,0.0,NULL,0,4.0,'','{"schema": 1, "recording": {"name": "session_3", "athlete": "M.K.", "start": "2026-05-06T17:30:00+00:00", "duration_s": 138.804, "sha256": {}}, "versions": {"imu_shoulder": "0.1.0"}, "parameters_changed": {}, "calibration": {}, "no_pose": "", "elevation_reference": "trunk", "data_quality": {}, "findings": [], "not_seen": ["Nothing was measured: this athlete is invented."], "cautions": ["This is a training aid, not a medical device. It clears nobody for anything: the licensed practitioner decides.", "Keep pain at or under the ceiling your practitioner set (2 of 10 where none was set). Above it: stop.", "Emergency help at once: chest pain or pressure, with or without breathlessness, or spreading to arm, jaw or back; and collapse.", "Emergency department: a suspected fracture or dislocation; a joint that may be infected (hot, red, swollen, fever); sudden serious loss of strength or feeling in the arm.", "A practitioner within days: an arm that suddenly cannot be raised after an injury; pain that wakes you at night or stays the next morning.", "Pain at the shoulder may come from the heart, the belly or the neck."], "pain": {"ceiling": 2.0, "before": null, "highest": 0.0, "over": [], "unrated": [], "text": "Pain was rated 0 of 10."}, "notes": [], "sets": [{"set": 1, "drill": "full_can", "title": "Full can raise", "direction": "diagonal", "cautions": ["Keep pain at or under your ceiling (2 of 10 unless your practitioner set another); above it, stop.", "Stop the set when the shoulder hitches up to get the arm there."], "side": "right", "role": "lift", "start_s": 60.0, "end_s": 93.804, "angle": "elevation", "band_deg": null, "asked": {"reps": 3, "sets": 1, "by": "plan", "hold_s": 5.0, "lift_at_least_s": 1.0, "lower_at_least_s": 1.0, "source": "the plan plan, version 1"}, "done": {"reps": 3, "scored": 3, "clean": 3, "extra": 0, "excluded": 0}, "unseen_s": 0.0, "headline": "3 of 3 reps, 3 clean. Held 5.7 s of 5 s (median).", "change": "", "criteria": [{"name": "arc", "asked": "75 to 105 deg at the top", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "hold", "asked": "5 s at the top", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "tempo", "asked": "at least 1 s up and 1 s down", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "thumb", "asked": "at least 30 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "elbow", "asked": "at most 25 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "plane", "asked": "20 to 60 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "trunk", "asked": "moves no more than 8 deg", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}, {"name": "start", "asked": "comes back to the start", "met": [1, 2, 3], "missed": [], "unknown": [], "share": 1.0, "numbers": {}}], "faults": [], "holding": null, "excluded": [], "steadiness": {"hold_sd_deg": {"median": 1.109, "n": 3}}, "tempo": {"lift_s": {"median": 2.075, "n": 3}, "hold_s": {"median": 5.682, "n": 3}, "lower_s": {"median": 2.224, "n": 3}}, "judged": true, "side_difference": null, "notes": [], "close": [], "pain": 0.0, "effort": 4.0, "live": null, "load_kg": null, "note": null, "pain_over": false}], "range": null, "plan": {"file": "plan, version 1", "athlete": "M.K.", "pain_ceiling": 2.0, "limits_first": [], "drills": [{"drill": "full_can", "title": "Full can raise", "side": "right", "asked": {"sets": 1, "reps": {"right": 3}, "hold_s": 5.0, "lift_at_least_s": 1.0, "lower_at_least_s": 1.0, "load_kg": null, "band": null}, "done": [{"set": 1, "side": "right", "unseen_s": 0.0, "reps": 3, "clean": 3, "load_kg": null}], "status": "done", "load_differs": false, "text": "Full can raise, right arm: 3 of 3 reps."}], "skipped": [], "extra": [], "order_kept": true, "order_text": "The drills were begun in the order of the plan.", "text": "Plan: 1 of 1 drills done as asked.", "lines": ["Plan: 1 of 1 drills done as asked."]}, "advice": [{"drill": "full_can", "title": "Full can raise", "side": "right", "role": "lift", "advice": "stay", "rule": "no other rule is met", "because": [{"session": "session_3", "start": "2026-05-06T17:30:00+00:00", "set": 1, "reps": [1, 2, 3], "clean": [1, 2, 3], "missed": [], "pain": 0.0, "met": null, "text": "set 1: 3 of 3 reps, 3 clean, pain 0"}], "prerequisites": [], "missing": ["the same in 1 session more"], "steps": [], "next": ["full_can_hold_and_lift", "overhead_short_arc"], "next_takes": "in each of the latest 2 sessions every set, at least 2 of them, with all asked reps done, at least 80 % of the asked reps clean, pain rated and within the ceiling", "text": "Full can raise, right arm: stay at this step. Missing first: the same in 1 session more. From set 1: 3 of 3 reps, 3 clean, pain 0. The practitioner decides."}], "first_lines": ["Pain was rated 0 of 10.", "1 set: 3 of 3 asked reps done, all clean."]}');
INSERT INTO "session" VALUES(4,1,'manual','2026-05-09T17:30:00Z','2026-05-09T17:30:00+00:00','without sensors',NULL,NULL,NULL,NULL,NULL,'2026-11-30T00:09:06Z',NULL,NULL,NULL,'partly',NULL,1,NULL,3,NULL,NULL,NULL,1.0,NULL,0,NULL,'','{"dose": [{"drill": "full_can", "side": "right", "sets": 1, "reps": 3, "load_kg": null}]}');
CREATE TABLE standing (
	athlete_id INTEGER NOT NULL, 
	changes INTEGER NOT NULL, 
	statements JSON NOT NULL, 
	PRIMARY KEY (athlete_id), 
	FOREIGN KEY(athlete_id) REFERENCES athlete (id) ON DELETE CASCADE
);
INSERT INTO "standing" VALUES(1,4,'[{"measure": "hold_sd_deg", "state": "too little to say", "days": 3, "why": "not known yet how much sessions scatter by chance", "first": null, "latest": null, "low": null, "high": null, "mdc_low": null, "mdc_high": null, "slope_low": null, "slope_high": null, "p": null, "own": false, "drill": "full_can", "direction": "diagonal", "side": "right", "load_kg": [], "text": "Full can raise, right arm, steadiness of the hold: too little to say (not known yet how much sessions scatter by chance)."}, {"measure": "hold_s", "state": "too little to say", "days": 3, "why": "not known yet how much sessions scatter by chance", "first": null, "latest": null, "low": null, "high": null, "mdc_low": null, "mdc_high": null, "slope_low": null, "slope_high": null, "p": null, "own": false, "drill": "full_can", "direction": "diagonal", "side": "right", "load_kg": [], "text": "Full can raise, right arm, time held: too little to say (not known yet how much sessions scatter by chance)."}, {"measure": "arc_deg", "state": "too little to say", "days": 3, "why": "not known yet how much sessions scatter by chance", "first": null, "latest": null, "low": null, "high": null, "mdc_low": null, "mdc_high": null, "slope_low": null, "slope_high": null, "p": null, "own": false, "drill": "full_can", "direction": "diagonal", "side": "right", "load_kg": [], "text": "Full can raise, right arm, arc: too little to say (not known yet how much sessions scatter by chance)."}, {"measure": "lower_s", "state": "too little to say", "days": 3, "why": "not known yet how much sessions scatter by chance", "first": null, "latest": null, "low": null, "high": null, "mdc_low": null, "mdc_high": null, "slope_low": null, "slope_high": null, "p": null, "own": false, "drill": "full_can", "direction": "diagonal", "side": "right", "load_kg": [], "text": "Full can raise, right arm, time of the lowering: too little to say (not known yet how much sessions scatter by chance)."}, {"measure": "clean_share", "state": "too little to say", "days": 3, "why": "not known yet how much sessions scatter by chance", "first": null, "latest": null, "low": null, "high": null, "mdc_low": null, "mdc_high": null, "slope_low": null, "slope_high": null, "p": null, "own": false, "drill": "full_can", "direction": "diagonal", "side": "right", "load_kg": [], "text": "Full can raise, right arm, clean reps: too little to say (not known yet how much sessions scatter by chance)."}]');
CREATE TABLE verdict (
	id INTEGER NOT NULL, 
	session_id INTEGER NOT NULL, 
	set_number INTEGER NOT NULL, 
	side TEXT NOT NULL, 
	rep INTEGER NOT NULL, 
	fault TEXT NOT NULL, 
	says TEXT NOT NULL, 
	why TEXT NOT NULL, 
	who TEXT NOT NULL, 
	at TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(session_id) REFERENCES session (id) ON DELETE CASCADE
);
INSERT INTO "verdict" VALUES(1,3,1,'right',2,'','clean','seen by eye','Coach','2026-11-30T00:09:06Z');
CREATE INDEX journal_of_athlete ON journal (athlete_id, at);
CREATE INDEX session_of_athlete ON session (athlete_id, start_utc);
CREATE INDEX drill_summary_of_session ON drill_summary (session_id);
CREATE INDEX note_of_athlete ON note (athlete_id, at);
CREATE INDEX verdict_of_session ON verdict (session_id);
CREATE INDEX decision_of_athlete ON decision (athlete_id, at);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('athlete',1);
INSERT INTO "sqlite_sequence" VALUES('plan_version',1);
INSERT INTO "sqlite_sequence" VALUES('session',4);
COMMIT;
