-- Runs of cycles: what figures need of cycles where they do not look at each one.
-- min_server: 0.1.0

-- Runs that are full, in the order folded; the last ones of each assignment are in machine_state.cycle_runs.
CREATE TABLE cycle_runs (
  site_id       integer NOT NULL,
  machine_id    integer NOT NULL,
  assignment_id integer NOT NULL,
  runs          bytea NOT NULL
);
CREATE INDEX cycle_runs_machine ON cycle_runs (machine_id);
COMMENT ON TABLE cycle_runs IS 'Cycles of a machine under an assignment, alike ones counted together.';

-- Null: the cycles of this assignment were stored before there were runs, and are read one by one until its next event
-- makes runs of them.
ALTER TABLE machine_state ADD COLUMN cycle_runs bytea;
