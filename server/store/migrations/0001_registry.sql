-- What is declared: sites, machines, agents, who watches what, calendars, prices, targets.
-- min_server: 0.1.0
--
-- A table with recorded_at and superseded_at holds versions: a row is what was declared at the instant t if
-- recorded_at <= t < superseded_at, so a report can be run again as of any earlier instant. Rows are never
-- deleted, and superseded_at is set once. Dates and civil times are the site's own; '-infinity' and 'infinity'
-- stand for no bound.

-- Exclusion constraints over integers beside ranges. Trusted since PostgreSQL 13: the database's owner may.
CREATE EXTENSION IF NOT EXISTS btree_gist;

CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION 'rows of % are only ever added', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$;

-- One row for good. Whoever applies a declaration locks it first.
CREATE TABLE fleet (
  singleton     boolean PRIMARY KEY DEFAULT true CHECK (singleton),
  version       bigint NOT NULL DEFAULT 0,
  demonstration boolean NOT NULL DEFAULT false  -- rehearsal events count in figures, calls and alerts
);
COMMENT ON TABLE fleet IS 'The declared fleet as a whole: one row. version grows with every change.';
INSERT INTO fleet DEFAULT VALUES;

CREATE TABLE declaration (
  version       bigint PRIMARY KEY,
  recorded_at   timestamptz NOT NULL,
  demonstration boolean NOT NULL,
  changes       text NOT NULL  -- one line each, as they were shown
);
COMMENT ON TABLE declaration IS 'A declaration that changed something: when, and what. Append-only.';
CREATE TRIGGER declaration_append_only BEFORE UPDATE OR DELETE ON declaration
  FOR EACH ROW EXECUTE FUNCTION refuse_change();

CREATE TABLE site (
  site_id     integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  org         integer NOT NULL DEFAULT 1,  -- the organisation it belongs to
  key         text NOT NULL UNIQUE CHECK (key ~ '^[a-z0-9-]{1,40}$'),
  declared_at timestamptz NOT NULL,
  dropped_at  timestamptz                  -- null while it is declared
);
COMMENT ON TABLE site IS
  'A key that is or was declared as a site. A dropped site that is declared again is the same one.';

CREATE TABLE site_detail (
  site_id       integer NOT NULL REFERENCES site,
  name          text NOT NULL,
  region        text NOT NULL,
  currency      text NOT NULL CHECK (currency ~ '^[A-Z]{3}$'),
  latitude      double precision NOT NULL CHECK (latitude BETWEEN -90 AND 90),
  longitude     double precision NOT NULL CHECK (longitude BETWEEN -180 AND 180),
  attendance    text NOT NULL CHECK (attendance IN ('attended', 'unattended')),
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE site_detail IS
  'Versions of what is said of a site. A site without one in force is not declared.';
CREATE UNIQUE INDEX site_detail_in_force ON site_detail (site_id) WHERE superseded_at = 'infinity';

CREATE TABLE zone (
  site_id       integer NOT NULL REFERENCES site,
  valid_from    date NOT NULL,  -- '-infinity' for the first
  name          text NOT NULL,
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE zone IS 'The IANA time zone of a site from a date until its next row.';
CREATE UNIQUE INDEX zone_in_force ON zone (site_id, valid_from) WHERE superseded_at = 'infinity';

CREATE TABLE agent (
  agent_id    integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  site_id     integer NOT NULL REFERENCES site,
  key         text NOT NULL UNIQUE CHECK (key ~ '^[a-z0-9-]{1,40}$'),
  declared_at timestamptz NOT NULL,
  dropped_at  timestamptz
);
COMMENT ON TABLE agent IS 'A program on a small box at a site, for good at that site.';

CREATE TABLE agent_declared (
  agent_id      integer NOT NULL REFERENCES agent,
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE agent_declared IS 'When an agent was declared: from recorded_at until superseded_at.';
CREATE UNIQUE INDEX agent_declared_in_force ON agent_declared (agent_id) WHERE superseded_at = 'infinity';

CREATE TABLE machine (
  machine_id  integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  site_id     integer NOT NULL REFERENCES site,
  key         text NOT NULL CHECK (key ~ '^[a-z0-9-]{1,40}$'),
  declared_at timestamptz NOT NULL,
  dropped_at  timestamptz,
  UNIQUE (site_id, key)
);
COMMENT ON TABLE machine IS
  'A machine or shared plant that is or was declared at a site. Its history stays when it is '
  'dropped, and is its own again when it is declared again.';

CREATE TABLE machine_detail (
  site_id         integer NOT NULL REFERENCES site,
  machine_id      integer NOT NULL REFERENCES machine,
  name            text NOT NULL,
  kind            text NOT NULL,
  in_service_from date NOT NULL,
  retired_at      date NOT NULL DEFAULT 'infinity',
  predecessor_id  integer REFERENCES machine,  -- the same machine at another site before
  recorded_at     timestamptz NOT NULL,
  superseded_at   timestamptz NOT NULL DEFAULT 'infinity',
  CHECK (in_service_from < retired_at)
);
COMMENT ON TABLE machine_detail IS
  'Versions of what is said of a machine. One without any in force is not declared.';
CREATE UNIQUE INDEX machine_detail_in_force ON machine_detail (site_id, machine_id)
  WHERE superseded_at = 'infinity';

CREATE TABLE machine_dependency (
  site_id       integer NOT NULL REFERENCES site,
  machine_id    integer NOT NULL REFERENCES machine,
  plant_id      integer NOT NULL REFERENCES machine CHECK (plant_id <> machine_id),
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE machine_dependency IS 'machine_id cannot wash without plant_id.';
CREATE UNIQUE INDEX machine_dependency_in_force ON machine_dependency (site_id, machine_id, plant_id)
  WHERE superseded_at = 'infinity';

-- An assignment keeps its number through its versions: events and spells refer to it.
CREATE SEQUENCE assignment_number AS integer;
CREATE TABLE assignment (
  assignment_id integer NOT NULL DEFAULT nextval('assignment_number'),
  site_id       integer NOT NULL REFERENCES site,
  machine_id    integer NOT NULL REFERENCES machine,
  agent_id      integer NOT NULL REFERENCES agent,
  from_at       timestamptz NOT NULL,  -- '-infinity': since ever
  to_at         timestamptz NOT NULL DEFAULT 'infinity',
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity',
  CHECK (from_at < to_at),
  CONSTRAINT one_agent_at_a_time EXCLUDE USING gist (machine_id WITH =, tstzrange(from_at, to_at) WITH &&)
    WHERE (superseded_at = 'infinity')
);
COMMENT ON TABLE assignment IS
  'Versions of: agent_id watches machine_id in [from_at, to_at). Of one machine the ones in '
  'force never overlap.';
CREATE UNIQUE INDEX assignment_in_force ON assignment (assignment_id) WHERE superseded_at = 'infinity';

CREATE TABLE week_hours (
  week_hours_id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  site_id       integer NOT NULL REFERENCES site,
  machine_id    integer REFERENCES machine,  -- null: of the site, for machines without hours of their own
  valid_from    date NOT NULL,
  valid_to      date NOT NULL DEFAULT 'infinity',
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity',
  CHECK (valid_from < valid_to),
  CONSTRAINT one_week_at_a_time EXCLUDE USING gist (
    site_id WITH =, (coalesce(machine_id, 0)) WITH =, daterange(valid_from, valid_to) WITH &&)
    WHERE (superseded_at = 'infinity')
);
COMMENT ON TABLE week_hours IS
  'A week''s opening hours (its rows in hours) for dates in [valid_from, valid_to).';

CREATE TABLE hours (
  site_id       integer NOT NULL REFERENCES site,
  week_hours_id integer NOT NULL REFERENCES week_hours,
  day_kind      smallint NOT NULL CHECK (day_kind BETWEEN 0 AND 7),  -- Monday … Sunday, public holiday
  open_minute   smallint NOT NULL CHECK (open_minute BETWEEN 0 AND 1439),
  close_minute  smallint NOT NULL CHECK (close_minute <= open_minute + 1440),
  CHECK (open_minute < close_minute),
  PRIMARY KEY (site_id, week_hours_id, day_kind, open_minute)
);
COMMENT ON TABLE hours IS
  'Minutes of civil time after the day''s midnight, [open, close); beyond 1440 on the next day. '
  'A day kind without a row is closed. Never changed: a changed week is a new week_hours row.';

CREATE TABLE holiday (
  site_id       integer NOT NULL REFERENCES site,
  day           date NOT NULL,
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE holiday IS 'A public holiday at a site: its hours replace the weekday''s.';
CREATE UNIQUE INDEX holiday_in_force ON holiday (site_id, day) WHERE superseded_at = 'infinity';

CREATE TABLE closure (
  site_id       integer NOT NULL REFERENCES site,
  from_civil    timestamp NOT NULL,
  to_civil      timestamp NOT NULL DEFAULT 'infinity',
  reason        text NOT NULL,
  approved      boolean NOT NULL,      -- by the owner, though unannounced
  -- As stated, else when it was first declared. After its start: unannounced.
  announced_at  timestamptz NOT NULL,
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity',
  CHECK (from_civil < to_civil)
);
COMMENT ON TABLE closure IS
  'A closure of a whole site agreed with the owner, [from, to) in the site''s civil time.';
CREATE UNIQUE INDEX closure_in_force ON closure (site_id, from_civil) WHERE superseded_at = 'infinity';

CREATE TABLE price (
  site_id       integer NOT NULL REFERENCES site,
  programme     text NOT NULL,
  valid_from    date NOT NULL,
  price         numeric(12, 4) NOT NULL CHECK (price >= 0),
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE price IS
  'What a programme costs at a site, in its currency, from a date until its next row.';
CREATE UNIQUE INDEX price_in_force ON price (site_id, programme, valid_from) WHERE superseded_at = 'infinity';

CREATE TABLE target (
  site_id       integer NOT NULL REFERENCES site,
  valid_from    date NOT NULL,
  availability  double precision NOT NULL CHECK (availability BETWEEN 0 AND 1),
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE target IS 'The availability promised to the owner of a site from a date until its next row.';
CREATE UNIQUE INDEX target_in_force ON target (site_id, valid_from) WHERE superseded_at = 'infinity';

CREATE TABLE settlement (
  settlement_id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  site_id       integer NOT NULL REFERENCES site,
  machine_id    integer NOT NULL REFERENCES machine,
  from_at       timestamptz NOT NULL,
  to_at         timestamptz NOT NULL,
  as_condition  smallint NOT NULL CHECK (as_condition IN (1, 3, 4)),  -- up, down, withheld
  settled_by    text NOT NULL CHECK (settled_by <> ''),
  reason        text NOT NULL CHECK (reason <> ''),
  recorded_at   timestamptz NOT NULL,
  CHECK (from_at < to_at)
);
COMMENT ON TABLE settlement IS
  'A person''s decision of what a machine''s unknown time was. Append-only: the latest '
  'recorded one over an instant holds.';
CREATE INDEX settlement_machine ON settlement (machine_id, recorded_at);
CREATE TRIGGER settlement_append_only BEFORE UPDATE OR DELETE ON settlement
  FOR EACH ROW EXECUTE FUNCTION refuse_change();
