-- Figures that are made once for a period and held.
-- min_server: 0.1.0

CREATE TABLE held_figure (
  kind          text NOT NULL CHECK (kind <> ''),
  period        text NOT NULL CHECK (period <> ''),  -- of one kind in an order of time: '2026-10', '2026-W43'
  made_at       timestamptz NOT NULL,
  fleet_version bigint NOT NULL,
  response      bytea NOT NULL,  -- the answer of the Figures service for the whole fleet, as protobuf
  PRIMARY KEY (kind, period)
);
COMMENT ON TABLE held_figure IS
  'A figure as it was first made for a period, whatever became known later. Append-only.';
CREATE TRIGGER held_figure_append_only BEFORE UPDATE OR DELETE ON held_figure
  FOR EACH ROW EXECUTE FUNCTION refuse_change();
