-- A record of version 3, as a program of that version left it. Never change it: every later version
-- must bring it up to date.
PRAGMA application_id = 1752786792;
PRAGMA user_version = 3;
BEGIN TRANSACTION;
CREATE TABLE day_total (  -- one local day: those of its minutes that are no longer in sample
  day TEXT NOT NULL PRIMARY KEY,  -- like 2026-01-14, by the room's own time zone
  minutes INTEGER NOT NULL CHECK (minutes > 0),
  clock_doubtful_minutes INTEGER NOT NULL,
  known INTEGER NOT NULL,  -- minutes whose rh_pct was known
  temp_known INTEGER NOT NULL,
  on_s REAL NOT NULL CHECK (on_s BETWEEN 0 AND 1e300),  -- sums: divide by the minutes known for a mean
  rh_sum_pct REAL NOT NULL CHECK (rh_sum_pct BETWEEN -1e300 AND 1e300),
  temp_sum_c REAL NOT NULL CHECK (temp_sum_c BETWEEN -1e300 AND 1e300),
  lowest_rh_pct REAL CHECK (lowest_rh_pct BETWEEN -1e300 AND 1e300),
  highest_rh_pct REAL CHECK (highest_rh_pct BETWEEN -1e300 AND 1e300),
  lowest_temp_c REAL CHECK (lowest_temp_c BETWEEN -1e300 AND 1e300),
  highest_temp_c REAL CHECK (highest_temp_c BETWEEN -1e300 AND 1e300),
  fallen_l REAL CHECK (fallen_l BETWEEN 0 AND 1e300),  -- what tank_l fell by, within the day
  first_tank_l REAL CHECK (first_tank_l BETWEEN -1e300 AND 1e300),
  last_tank_l REAL CHECK (last_tank_l BETWEEN -1e300 AND 1e300),
  rh_by_day TEXT NOT NULL,  -- JSON: minutes at each tenth of %RH; "61.5" exactly, "61.5+" above it
  rh_by_night TEXT NOT NULL,
  reasons TEXT NOT NULL  -- JSON: minutes of each strictest reason for off
, day_air_known INTEGER, day_air_rh_sum_pct REAL CHECK (day_air_rh_sum_pct BETWEEN -1e300 AND 1e300), day_air_temp_sum_c REAL CHECK (day_air_temp_sum_c BETWEEN -1e300 AND 1e300), day_vapour_sum_kpa REAL CHECK (day_vapour_sum_kpa BETWEEN -1e300 AND 1e300), day_vpd_sum_kpa REAL CHECK (day_vpd_sum_kpa BETWEEN -1e300 AND 1e300), night_air_known INTEGER, night_air_rh_sum_pct REAL CHECK (night_air_rh_sum_pct BETWEEN -1e300 AND 1e300), night_air_temp_sum_c REAL CHECK (night_air_temp_sum_c BETWEEN -1e300 AND 1e300), night_vapour_sum_kpa REAL CHECK (night_vapour_sum_kpa BETWEEN -1e300 AND 1e300), night_vpd_sum_kpa REAL CHECK (night_vpd_sum_kpa BETWEEN -1e300 AND 1e300)) STRICT;
INSERT INTO "day_total" VALUES('2026-05-27',3,1,2,3,60.0,121.55,72.0,60.0,61.55,23.9,24.1,0.01,3.21,3.2,'{"60.0":1}','{"61.5+":1}','{"enough":2}',NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "day_total" VALUES('2026-05-28',2,0,2,2,0.0,120.0,48.0,59.0,61.0,24.0,24.0,NULL,NULL,NULL,'{"59.0":1}','{"61.0":1}','{"enough":2}',1,59.0,24.0,1.76,1.22,1,61.0,24.0,1.82,1.16);
CREATE TABLE event (  -- the program itself: start, stop, settings, state lost
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  kind TEXT NOT NULL,
  words TEXT NOT NULL
) STRICT;
INSERT INTO "event" VALUES(1,1780000020.0,0,'start','version 0.1.0');
INSERT INTO "event" VALUES(2,1780000220.0,1,'stop','asked to');
CREATE TABLE message (  -- an alarm or a notice was raised or cleared
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  kind TEXT NOT NULL,  -- alarm or notice
  code TEXT NOT NULL,
  raised INTEGER NOT NULL CHECK (raised IN (0, 1)),  -- 0: cleared
  since_s REAL NOT NULL CHECK (since_s BETWEEN -1e300 AND 1e300),
  seen REAL CHECK (seen BETWEEN -1e300 AND 1e300),
  limit_figure REAL CHECK (limit_figure BETWEEN -1e300 AND 1e300),
  detail TEXT NOT NULL
) STRICT;
INSERT INTO "message" VALUES(1,1780000160.0,1,'alarm','probe',1,1780000120.0,3.0,2.0,'silent');
CREATE TABLE note (  -- a person's request was answered
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  kind TEXT NOT NULL,  -- refilled, pause, resume, raise_target, ...
  request_id TEXT NOT NULL,
  by_whom TEXT NOT NULL,
  litres REAL CHECK (litres BETWEEN -1e300 AND 1e300),  -- refilled: how much; NULL: to the top
  for_s REAL CHECK (for_s BETWEEN -1e300 AND 1e300),
  rh_pct REAL CHECK (rh_pct BETWEEN -1e300 AND 1e300),  -- raise_target: by how much
  happened_at_s REAL CHECK (happened_at_s BETWEEN -1e300 AND 1e300),  -- NULL: when it was answered
  done INTEGER NOT NULL CHECK (done IN (0, 1)),  -- 0: refused
  words TEXT NOT NULL
, animal TEXT NOT NULL DEFAULT '', outcome TEXT NOT NULL DEFAULT '', remark TEXT NOT NULL DEFAULT '', about_id INTEGER) STRICT;
INSERT INTO "note" VALUES(1,1780000170.0,1,'refilled','r1','keeper',2.5,NULL,NULL,1779999420.0,1,'noted','','','',NULL);
INSERT INTO "note" VALUES(2,1780000180.0,1,'shed','s1','keeper',NULL,NULL,NULL,NULL,1,'noted: Juno shed whole','Juno','whole','eyes clear',NULL);
INSERT INTO "note" VALUES(3,1780000190.0,1,'correct','c1','keeper',2.0,NULL,NULL,1779999420.0,1,'noted','','','',1);
CREATE TABLE reason (  -- the reasons for off that hold from now, a row each; code '' while on
  change_id INTEGER NOT NULL,  -- only grows; rows of one moment share it
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  rank INTEGER NOT NULL CHECK (rank >= 0),  -- 0: the strictest
  code TEXT NOT NULL,
  action INTEGER NOT NULL,  -- 0 nothing is asked for, 1 a matter of time, 2 a condition must change
  seen REAL CHECK (seen BETWEEN -1e300 AND 1e300),  -- the figure met
  limit_figure REAL CHECK (limit_figure BETWEEN -1e300 AND 1e300),  -- the one it broke
  clears_at REAL CHECK (clears_at BETWEEN -1e300 AND 1e300),  -- the figure that ends it
  clears_in_s REAL CHECK (clears_in_s BETWEEN -1e300 AND 1e300),  -- when it can be, where time alone decides
  detail TEXT NOT NULL,
  PRIMARY KEY (change_id, rank)
) STRICT, WITHOUT ROWID;
INSERT INTO "reason" VALUES(1,1780000020.0,0,0,'shortest_off',1,100.0,300.0,NULL,200.0,'');
INSERT INTO "reason" VALUES(1,1780000020.0,0,1,'enough',0,61.5,58.0,58.0,NULL,'');
INSERT INTO "reason" VALUES(2,1780000150.0,1,0,'',0,NULL,NULL,NULL,NULL,'');
CREATE TABLE sample (  -- one row is one recorded minute
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),  -- the minute's end, UTC, seconds since 1970
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  rh_pct REAL CHECK (rh_pct BETWEEN -1e300 AND 1e300),  -- mean of the believed, corrected readings
  temp_c REAL CHECK (temp_c BETWEEN -1e300 AND 1e300),
  raw_rh_1_pct REAL CHECK (raw_rh_1_pct BETWEEN -1e300 AND 1e300),  -- first probe's last reading, as it came
  raw_temp_1_c REAL CHECK (raw_temp_1_c BETWEEN -1e300 AND 1e300),
  raw_rh_2_pct REAL CHECK (raw_rh_2_pct BETWEEN -1e300 AND 1e300),
  raw_temp_2_c REAL CHECK (raw_temp_2_c BETWEEN -1e300 AND 1e300),
  target_rh_pct REAL NOT NULL CHECK (target_rh_pct BETWEEN -1e300 AND 1e300),
  is_day INTEGER NOT NULL CHECK (is_day IN (0, 1)),
  on_s REAL NOT NULL CHECK (on_s BETWEEN 0 AND 1e300),  -- on-time of the relay within the minute
  tank_l REAL CHECK (tank_l BETWEEN -1e300 AND 1e300),  -- litres left by estimate
  outdoor_c REAL CHECK (outdoor_c BETWEEN -1e300 AND 1e300),
  reason TEXT NOT NULL,  -- the strictest reason for off at the minute's end; '' while on
  change_id INTEGER  -- all reasons that held then: reason.change_id; NULL: not told yet
) STRICT;
INSERT INTO "sample" VALUES(1,1780000020.0,0,61.5,24.0,61.0,24.2,NULL,NULL,60.0,1,0.0,3.2,NULL,'shortest_off',1);
INSERT INTO "sample" VALUES(2,1780000080.0,1,NULL,24.0,61.0,24.2,NULL,NULL,60.0,1,0.0,3.2,NULL,'shortest_off',1);
INSERT INTO "sample" VALUES(3,1780000200.0,1,61.5,24.0,61.0,24.2,NULL,NULL,60.0,1,50.0,3.19,NULL,'',2);
CREATE TABLE surface (  -- the coldest surface, a row for each hour that was judged
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),  -- the hour's end
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  temp_c REAL NOT NULL CHECK (temp_c BETWEEN -1e300 AND 1e300),  -- mean of the hour
  rh_pct REAL NOT NULL CHECK (rh_pct BETWEEN -1e300 AND 1e300),  -- at the surface, mean of the hour
  measured INTEGER NOT NULL CHECK (measured IN (0, 1)),  -- 0: estimated
  mean_rh_pct REAL CHECK (mean_rh_pct BETWEEN -1e300 AND 1e300),  -- of 30 days; NULL: not so long yet
  mould_index REAL NOT NULL CHECK (mould_index BETWEEN 0 AND 6)
) STRICT;
INSERT INTO "surface" VALUES(1,1780000200.0,1,17.5,82.5,0,NULL,0.125);
CREATE TABLE switching (  -- the relay was switched
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  relay_on INTEGER NOT NULL CHECK (relay_on IN (0, 1)),
  because TEXT NOT NULL
) STRICT;
INSERT INTO "switching" VALUES(1,1780000150.0,1,1,'too dry');
CREATE INDEX sample_at ON sample (at_s);
COMMIT;
