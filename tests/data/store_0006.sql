-- A store as schema 0006 wrote it (twice 10 s of two pairs, store_case.idle_scans, the second thinned), dumped by sqlite3.
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0006');
CREATE TABLE amp (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	name TEXT NOT NULL, 
	serial TEXT NOT NULL, 
	notes TEXT NOT NULL, 
	rated_w DOUBLE, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_amp PRIMARY KEY (id), 
	CONSTRAINT uq_amp_uuid UNIQUE (uuid), 
	CONSTRAINT ck_amp_version CHECK (version > 0)
);
CREATE TABLE bench_reading (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	taken_us BIGINT NOT NULL, 
	stage TEXT NOT NULL, 
	quantity TEXT NOT NULL, 
	place TEXT NOT NULL, 
	value DOUBLE NOT NULL, 
	unit TEXT NOT NULL, 
	uncertainty DOUBLE, 
	instrument TEXT NOT NULL, 
	load_ohm DOUBLE, 
	tap_ohm DOUBLE, 
	weighting TEXT NOT NULL, 
	bandwidth TEXT NOT NULL, 
	least DOUBLE, 
	most DOUBLE, 
	limit_source TEXT NOT NULL, 
	note TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_bench_reading PRIMARY KEY (id), 
	CONSTRAINT ck_bench_reading_stage CHECK (stage IN ('as found', 'as left')), 
	CONSTRAINT ck_bench_reading_uncertainty CHECK (uncertainty >= 0), 
	CONSTRAINT fk_bench_reading_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_bench_reading_version CHECK (version > 0)
);
CREATE TABLE calibration (
	id INTEGER NOT NULL, 
	board_id TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	instrument TEXT NOT NULL, 
	program TEXT NOT NULL, 
	channels TEXT NOT NULL, 
	CONSTRAINT pk_calibration PRIMARY KEY (id)
);
CREATE TABLE channel (
	soak_id INTEGER NOT NULL, 
	channel INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	measures TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	volts_per_count DOUBLE NOT NULL, 
	full_count BIGINT NOT NULL, 
	factor DOUBLE, 
	"offset" DOUBLE, 
	CONSTRAINT pk_channel PRIMARY KEY (soak_id, channel), 
	CONSTRAINT fk_channel_soak FOREIGN KEY(soak_id) REFERENCES soak (id), 
	CONSTRAINT uq_channel_name UNIQUE (soak_id, name), 
	CONSTRAINT ck_channel_linear CHECK ((factor IS NULL) = ("offset" IS NULL))
)
 WITHOUT ROWID

;
INSERT INTO "channel" VALUES(1,0,'pair1','pair current','A',7.8125e-06,32767,7.8125e-06,0.0);
INSERT INTO "channel" VALUES(1,1,'pair2','pair current','A',7.8125e-06,32767,7.8125e-06,0.0);
INSERT INTO "channel" VALUES(2,0,'pair1','pair current','A',7.8125e-06,32767,7.8125e-06,0.0);
INSERT INTO "channel" VALUES(2,1,'pair2','pair current','A',7.8125e-06,32767,7.8125e-06,0.0);
CREATE TABLE checklist_item (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	section TEXT NOT NULL, 
	what TEXT NOT NULL, 
	caution TEXT NOT NULL, 
	asks TEXT NOT NULL, 
	result TEXT, 
	value DOUBLE, 
	note TEXT NOT NULL, 
	done_us BIGINT, 
	done_by TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_checklist_item PRIMARY KEY (id), 
	CONSTRAINT ck_checklist_item_result CHECK (result IN ('fine', 'fault', 'does not apply')), 
	CONSTRAINT ck_checklist_item_done CHECK ((result IS NULL) = (done_us IS NULL)), 
	CONSTRAINT fk_checklist_item_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_checklist_item_version CHECK (version > 0)
);
CREATE TABLE "finding" (
	soak_id INTEGER NOT NULL, 
	id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	channel TEXT, 
	channels TEXT NOT NULL, 
	onset_s DOUBLE NOT NULL, 
	raised_s DOUBLE NOT NULL, 
	cleared_s DOUBLE, 
	severity TEXT NOT NULL, 
	says TEXT NOT NULL, 
	advice TEXT NOT NULL, 
	under INTEGER, 
	evidence TEXT NOT NULL, 
	acknowledged_s DOUBLE, 
	CONSTRAINT pk_finding PRIMARY KEY (soak_id, id), 
	CONSTRAINT fk_finding_soak FOREIGN KEY(soak_id) REFERENCES soak (id), 
	CONSTRAINT ck_finding_severity CHECK (severity IN ('remark', 'warning', 'trip'))
)
 WITHOUT ROWID

;
CREATE TABLE fitting (
	id INTEGER NOT NULL, 
	amp_id INTEGER NOT NULL, 
	valve_id INTEGER NOT NULL, 
	socket TEXT NOT NULL, 
	how TEXT NOT NULL, 
	fitted_us BIGINT NOT NULL, 
	removed_us BIGINT, 
	why_removed TEXT NOT NULL, 
	job_id INTEGER, 
	out_job_id INTEGER, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_fitting PRIMARY KEY (id), 
	CONSTRAINT fk_fitting_amp FOREIGN KEY(amp_id) REFERENCES amp (id), 
	CONSTRAINT fk_fitting_valve FOREIGN KEY(valve_id) REFERENCES valve (id), 
	CONSTRAINT fk_fitting_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT fk_fitting_out_job FOREIGN KEY(out_job_id) REFERENCES job (id), 
	CONSTRAINT ck_fitting_how CHECK (how IN ('found', 'fitted')), 
	CONSTRAINT ck_fitting_order CHECK (removed_us IS NULL OR removed_us >= fitted_us), 
	CONSTRAINT ck_fitting_version CHECK (version > 0)
);
CREATE TABLE fuse (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	position TEXT NOT NULL, 
	found TEXT NOT NULL, 
	marked TEXT NOT NULL, 
	fitted TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_fuse PRIMARY KEY (id), 
	CONSTRAINT fk_fuse_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_fuse_version CHECK (version > 0)
);
CREATE TABLE history (
	id INTEGER NOT NULL, 
	job_id INTEGER, 
	table_name TEXT NOT NULL, 
	row_id INTEGER NOT NULL, 
	version INTEGER NOT NULL, 
	field TEXT NOT NULL, 
	was TEXT NOT NULL, 
	became TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	CONSTRAINT pk_history PRIMARY KEY (id), 
	CONSTRAINT fk_history_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT uq_history_field UNIQUE (table_name, row_id, version, field)
);
CREATE TABLE job (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	amp_id INTEGER NOT NULL, 
	customer TEXT NOT NULL, 
	complaint TEXT NOT NULL, 
	shows TEXT NOT NULL, 
	condition TEXT NOT NULL, 
	state TEXT NOT NULL, 
	received_us BIGINT NOT NULL, 
	closed_us BIGINT, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_job PRIMARY KEY (id), 
	CONSTRAINT uq_job_uuid UNIQUE (uuid), 
	CONSTRAINT fk_job_amp FOREIGN KEY(amp_id) REFERENCES amp (id), 
	CONSTRAINT ck_job_state CHECK (state IN ('received', 'on the bench', 'soaking', 'waiting for parts', 'waiting for customer', 'ready', 'collected')), 
	CONSTRAINT ck_job_closed CHECK ((state = 'collected') = (closed_us IS NOT NULL)), 
	CONSTRAINT ck_job_version CHECK (version > 0)
);
CREATE TABLE mark (
	id INTEGER NOT NULL, 
	soak_id INTEGER NOT NULL, 
	t_us BIGINT NOT NULL, 
	text TEXT NOT NULL, 
	CONSTRAINT pk_mark PRIMARY KEY (id), 
	CONSTRAINT fk_mark_soak FOREIGN KEY(soak_id) REFERENCES soak (id)
);
CREATE TABLE overruling (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	statement TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	CONSTRAINT pk_overruling PRIMARY KEY (id), 
	CONSTRAINT fk_overruling_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_overruling_statement CHECK (statement IN ('pass', 'conditional pass', 'conditional fail', 'fail')), 
	CONSTRAINT ck_overruling_signed CHECK (reason <> '' AND made_by <> '')
);
CREATE TABLE photograph (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	checksum VARCHAR(64) NOT NULL, 
	kind TEXT NOT NULL, 
	size_bytes BIGINT NOT NULL, 
	width_px INTEGER NOT NULL, 
	height_px INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	caption TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_photograph PRIMARY KEY (id), 
	CONSTRAINT ck_photograph_kind CHECK (kind IN ('jpeg', 'png')), 
	CONSTRAINT fk_photograph_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_photograph_version CHECK (version > 0)
);
CREATE TABLE remark (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	text TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_remark PRIMARY KEY (id), 
	CONSTRAINT fk_remark_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_remark_version CHECK (version > 0)
);
CREATE TABLE request (
	id INTEGER NOT NULL, 
	soak_id INTEGER, 
	made_us BIGINT NOT NULL, 
	ask TEXT NOT NULL, 
	text TEXT NOT NULL, 
	state TEXT NOT NULL, 
	reason TEXT, 
	t_us BIGINT, 
	CONSTRAINT pk_request PRIMARY KEY (id), 
	CONSTRAINT fk_request_soak FOREIGN KEY(soak_id) REFERENCES soak (id), 
	CONSTRAINT ck_request_state CHECK (state IN ('asked', 'done', 'refused')), 
	CONSTRAINT ck_request_reason CHECK ((state = 'refused') = (reason IS NOT NULL)), 
	CONSTRAINT ck_request_taken CHECK ((soak_id IS NULL) = (t_us IS NULL)), 
	CONSTRAINT ck_request_asked CHECK (state <> 'asked' OR soak_id IS NULL)
);
CREATE TABLE rollup (
	soak_id INTEGER NOT NULL, 
	level_s INTEGER NOT NULL, 
	t0_s BIGINT NOT NULL, 
	channel INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	vmin BIGINT NOT NULL, 
	vmax BIGINT NOT NULL, 
	vsum BIGINT NOT NULL, 
	CONSTRAINT pk_rollup PRIMARY KEY (soak_id, level_s, t0_s, channel), 
	CONSTRAINT fk_rollup_channel FOREIGN KEY(soak_id, channel) REFERENCES channel (soak_id, channel), 
	CONSTRAINT ck_rollup_n CHECK (n > 0), 
	CONSTRAINT ck_rollup_order CHECK (vmin <= vmax)
)
 WITHOUT ROWID

;
INSERT INTO "rollup" VALUES(1,10,0,0,100,9719,9876,979779);
INSERT INTO "rollup" VALUES(1,10,0,1,100,9719,9886,979782);
INSERT INTO "rollup" VALUES(1,60,0,0,100,9719,9876,979779);
INSERT INTO "rollup" VALUES(1,60,0,1,100,9719,9886,979782);
INSERT INTO "rollup" VALUES(2,10,0,0,100,9719,9876,979779);
INSERT INTO "rollup" VALUES(2,10,0,1,100,9719,9886,979782);
INSERT INTO "rollup" VALUES(2,60,0,0,100,9719,9876,979779);
INSERT INTO "rollup" VALUES(2,60,0,1,100,9719,9886,979782);
CREATE TABLE scan (
	soak_id INTEGER NOT NULL, 
	t0_s BIGINT NOT NULL, 
	sequence BIGINT NOT NULL, 
	n INTEGER NOT NULL, 
	sequences BLOB, 
	data BLOB NOT NULL, 
	CONSTRAINT pk_scan PRIMARY KEY (soak_id, t0_s), 
	CONSTRAINT fk_scan_soak FOREIGN KEY(soak_id) REFERENCES soak (id), 
	CONSTRAINT ck_scan_n CHECK (n > 0)
)
 WITHOUT ROWID

;
INSERT INTO "scan" VALUES(1,0,0,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D0052265226632638265326492632263A264926312661262126552659265126582643265A263F264026');
INSERT INTO "scan" VALUES(1,1,10,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D0048266F26F72543264E2688263D265B2639264D26402666260F263B264F26272685265C2617264B26');
INSERT INTO "scan" VALUES(1,2,20,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D0023264626452649265A2652265E2662266326232634262C264B26392663262F263926282647263F26');
INSERT INTO "scan" VALUES(1,3,30,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D004A262B264E264F2617266D26302650263E264526502627263A265F2650263F265F2663261C263B26');
INSERT INTO "scan" VALUES(1,4,40,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D005F26172663263526552662264526682644261D264E2624265C264826562650264026042649265226');
INSERT INTO "scan" VALUES(1,5,50,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D00342644266D262E267D263326422649263326292662265C2653261B2645264C266226482656265C26');
INSERT INTO "scan" VALUES(1,6,60,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D007626FE25942622262F263E263C2643263E2648261A265B262A265A263926582650262F262B262626');
INSERT INTO "scan" VALUES(1,7,70,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D0027264626572641265026612628263C2625260826742646263B265526252636262D2679264D264826');
INSERT INTO "scan" VALUES(1,8,80,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D00632635265D268326362646264726162637265B2641264F265C264E2644264B264D26612625267026');
INSERT INTO "scan" VALUES(1,9,90,10,NULL,X'00000000A0860100400D0300E0930400801A060020A10700C027090060AE0A0000350C00A0BB0D0057262C266226312619263A2665264926692658264D269E2626264B264D266D26F72517264D262826');
CREATE TABLE "soak" (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	bench TEXT NOT NULL, 
	amp TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	setup_digest TEXT NOT NULL, 
	daq TEXT NOT NULL, 
	program TEXT NOT NULL, 
	started_us BIGINT NOT NULL, 
	ended_us BIGINT, 
	how TEXT, 
	scans BIGINT NOT NULL, 
	last_t_us BIGINT, 
	now TEXT, 
	verdict TEXT, 
	setup_text TEXT NOT NULL, 
	calibration_id INTEGER, 
	checks TEXT, 
	last_ms BIGINT, 
	last_seen_us BIGINT, 
	job_id INTEGER, 
	thinned TEXT, 
	CONSTRAINT pk_soak PRIMARY KEY (id), 
	CONSTRAINT fk_soak_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_soak_ended CHECK ((ended_us IS NULL) = (how IS NULL)), 
	CONSTRAINT fk_soak_calibration FOREIGN KEY(calibration_id) REFERENCES calibration (id), 
	CONSTRAINT uq_soak_uuid UNIQUE (uuid), 
	CONSTRAINT ck_soak_how CHECK (how IN ('finished', 'stopped', 'broken off')), 
	CONSTRAINT ck_soak_kind CHECK (kind IN ('as left', 'as found'))
);
INSERT INTO "soak" VALUES(1,'50b4d5bb-4e91-4dc5-a2a5-02b31e84934e','bench','Theatre PA 240 W','as left','f5c3ca3ee2f85a87','{"board_id":"board 7","protocol":1,"volts_per_count":[7.8125e-06,7.8125e-06],"full_count":[32767,32767],"reset_cause":"power on","step_V":[]}','soakbench 0.1.0',1772357415123456,1772357415123456,'finished',100,9900000,NULL,NULL,'schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 10
[[channel]]
name = "pair1"
measures = "pair current"
sense_ohm = 1.0
tolerance_pct = 1.0
[[channel]]
name = "pair2"
measures = "pair current"
sense_ohm = 1.0
tolerance_pct = 1.0
[plan]
steps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 120}]
',NULL,NULL,NULL,1772357415123456,NULL,NULL);
INSERT INTO "soak" VALUES(2,'afdcf532-b73e-45ee-be8c-ba429376b101','bench','Theatre PA 240 W','as left','f5c3ca3ee2f85a87','{"board_id":"board 7","protocol":1,"volts_per_count":[7.8125e-06,7.8125e-06],"full_count":[32767,32767],"reset_cause":"power on","step_V":[]}','soakbench 0.1.0',1772357415123456,1772357415123456,'finished',100,9900000,NULL,NULL,'schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 10
[[channel]]
name = "pair1"
measures = "pair current"
sense_ohm = 1.0
tolerance_pct = 1.0
[[channel]]
name = "pair2"
measures = "pair current"
sense_ohm = 1.0
tolerance_pct = 1.0
[plan]
steps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 120}]
',NULL,NULL,NULL,1772357415123456,NULL,'{"at_us": 1772357415123456, "archive": "/srv/archive/bench 1/2026-03/two.parquet", "kept": []}');
CREATE TABLE valve (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	label TEXT NOT NULL, 
	type TEXT NOT NULL, 
	batch TEXT NOT NULL, 
	seller_a DOUBLE, 
	seller_s DOUBLE, 
	seller_note TEXT NOT NULL, 
	notes TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_valve PRIMARY KEY (id), 
	CONSTRAINT uq_valve_uuid UNIQUE (uuid), 
	CONSTRAINT ck_valve_version CHECK (version > 0)
);
CREATE TABLE work_item (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	what TEXT NOT NULL, 
	part TEXT NOT NULL, 
	quantity DOUBLE, 
	minutes DOUBLE, 
	made_us BIGINT NOT NULL, 
	made_by TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	deleted_us BIGINT, 
	CONSTRAINT pk_work_item PRIMARY KEY (id), 
	CONSTRAINT ck_work_item_quantity CHECK (quantity > 0), 
	CONSTRAINT ck_work_item_minutes CHECK (minutes >= 0), 
	CONSTRAINT fk_work_item_job FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT ck_work_item_version CHECK (version > 0)
);
CREATE INDEX ix_mark_soak_id ON mark (soak_id, t_us);
CREATE VIEW rollup_in_units AS
SELECT soak_id, level_s, t0_s, name, unit, n, mean, CASE WHEN a < b THEN a ELSE b END AS least,
       CASE WHEN a < b THEN b ELSE a END AS greatest, railed
FROM (SELECT r.soak_id, r.level_s, r.t0_s, c.name,
             CASE WHEN c.factor IS NULL THEN 'V' ELSE c.unit END AS unit,
             r.n,
             coalesce(c.factor, c.volts_per_count) * r.vsum / r.n + coalesce(c."offset", 0) AS mean,
             coalesce(c.factor, c.volts_per_count) * r.vmin + coalesce(c."offset", 0) AS a,
             coalesce(c.factor, c.volts_per_count) * r.vmax + coalesce(c."offset", 0) AS b,
             CASE WHEN r.vmin <= -c.full_count OR r.vmax >= c.full_count THEN 1 ELSE 0 END AS railed
      FROM rollup AS r JOIN channel AS c ON c.soak_id = r.soak_id AND c.channel = r.channel) AS counted;
CREATE INDEX ix_calibration_board_id ON calibration (board_id, made_us);
CREATE INDEX ix_request_state ON request (state, id);
CREATE UNIQUE INDEX ix_amp_name ON amp (name, serial) WHERE serial <> '' AND deleted_us IS NULL;
CREATE INDEX ix_job_amp_id ON job (amp_id);
CREATE UNIQUE INDEX ix_valve_label ON valve (label) WHERE deleted_us IS NULL;
CREATE UNIQUE INDEX ix_fitting_socket ON fitting (amp_id, socket) WHERE removed_us IS NULL AND deleted_us IS NULL;
CREATE UNIQUE INDEX ix_fitting_valve ON fitting (valve_id) WHERE removed_us IS NULL AND deleted_us IS NULL;
CREATE INDEX ix_fitting_valve_id ON fitting (valve_id);
CREATE UNIQUE INDEX ix_fuse_position ON fuse (job_id, position) WHERE deleted_us IS NULL;
CREATE UNIQUE INDEX ix_photograph_checksum ON photograph (job_id, checksum) WHERE deleted_us IS NULL;
CREATE INDEX ix_checklist_item_job_id ON checklist_item (job_id);
CREATE INDEX ix_work_item_job_id ON work_item (job_id);
CREATE INDEX ix_remark_job_id ON remark (job_id);
CREATE INDEX ix_bench_reading_job_id ON bench_reading (job_id);
CREATE INDEX ix_overruling_job_id ON overruling (job_id);
CREATE INDEX ix_history_job_id ON history (job_id);
CREATE INDEX ix_soak_job_id ON soak (job_id);
COMMIT;
