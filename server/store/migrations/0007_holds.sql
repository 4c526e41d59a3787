-- Raw events that somebody asked to keep beyond their retention, and why.
-- min_server: 0.1.0

CREATE TABLE record_hold (
  hold_id     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  site_id     integer NOT NULL REFERENCES site,
  machine_id  integer NOT NULL REFERENCES machine,
  from_at     timestamptz NOT NULL,  -- of what events say, [from, to)
  to_at       timestamptz NOT NULL,
  held_by     text NOT NULL CHECK (held_by <> ''),
  reason      text NOT NULL CHECK (reason <> ''),
  reference   text NOT NULL,         -- an outside one, such as a claim's number
  recorded_at timestamptz NOT NULL DEFAULT now(),
  CHECK (from_at < to_at)
);
COMMENT ON TABLE record_hold IS
  'Raw events of a machine are kept beyond retention. Append-only: a release is a row of its own.';
CREATE INDEX record_hold_machine ON record_hold (machine_id);
CREATE TRIGGER record_hold_append_only BEFORE UPDATE OR DELETE ON record_hold
  FOR EACH ROW EXECUTE FUNCTION refuse_change();

CREATE TABLE record_hold_release (
  hold_id     bigint PRIMARY KEY REFERENCES record_hold,
  released_by text NOT NULL CHECK (released_by <> ''),
  reason      text NOT NULL CHECK (reason <> ''),
  released_at timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE record_hold_release IS 'A hold that is no longer needed. Append-only.';
CREATE TRIGGER record_hold_release_append_only BEFORE UPDATE OR DELETE ON record_hold_release
  FOR EACH ROW EXECUTE FUNCTION refuse_change();

-- Copies of rows of event: not partitioned, so that partitions go when their time has come. Under two holds twice.
CREATE TABLE held_raw_event (
  hold_id      bigint NOT NULL REFERENCES record_hold,
  received_at  timestamptz NOT NULL,
  occurred_at  timestamptz NOT NULL,
  effective_at timestamptz NOT NULL,
  sequence     bigint NOT NULL,
  site_id      integer NOT NULL,
  machine_id   integer NOT NULL,
  agent_id     integer NOT NULL,
  epoch_id     integer NOT NULL,
  kind         smallint NOT NULL,
  rehearsal    boolean NOT NULL,
  payload      bytea NOT NULL,
  PRIMARY KEY (hold_id, epoch_id, sequence)
);
CREATE INDEX held_raw_event_machine ON held_raw_event (machine_id, effective_at);

CREATE FUNCTION refuse_unless_released() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF EXISTS (SELECT FROM record_hold_release WHERE hold_id = OLD.hold_id) THEN RETURN OLD; END IF;
  RAISE EXCEPTION 'hold % keeps this event', OLD.hold_id USING ERRCODE = 'restrict_violation';
END $$;
CREATE TRIGGER held_raw_event_no_update BEFORE UPDATE ON held_raw_event
  FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER held_raw_event_no_delete BEFORE DELETE ON held_raw_event
  FOR EACH ROW EXECUTE FUNCTION refuse_unless_released();
