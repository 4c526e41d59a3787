-- What the programmes sold at a site need of a machine.
-- min_server: 0.1.0

CREATE TABLE programme (
  site_id       integer NOT NULL REFERENCES site,
  programme     text NOT NULL,
  needs         smallint[] NOT NULL CHECK (cardinality(needs) > 0),  -- capabilities by number, ascending
  recorded_at   timestamptz NOT NULL,
  superseded_at timestamptz NOT NULL DEFAULT 'infinity'
);
COMMENT ON TABLE programme IS
  'Versions of what a programme needs of the machine that washes it. One that is not declared is taken to need '
  'a wash only.';
CREATE UNIQUE INDEX programme_in_force ON programme (site_id, programme) WHERE superseded_at = 'infinity';
