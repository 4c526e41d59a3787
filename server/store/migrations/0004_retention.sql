-- What is left of events and cycles when their partitions are dropped.
-- min_server: 0.1.0

-- What was open at every machine, once a week: complete sets, each with its taken_at. Folding events again starts at the
-- first set after the oldest partition of events; what ended before is final.
CREATE TABLE fold_checkpoint (
  taken_at      timestamptz NOT NULL,
  assignment_id integer NOT NULL,
  machine_id    integer NOT NULL,
  site_id       integer NOT NULL,
  state         bytea NOT NULL,  -- as in machine_state
  PRIMARY KEY (assignment_id, taken_at)
);

-- Partitions that are dropped, or about to be: written first, so that accounts add up at every instant. Of events a row
-- for each epoch; epoch 0 stands for the partition itself.
CREATE TABLE dropped_partition (
  name       text NOT NULL,
  epoch_id   integer NOT NULL,
  events     bigint NOT NULL,
  dropped_at timestamptz NOT NULL DEFAULT now(),
  PRIMARY KEY (name, epoch_id)
);
CREATE INDEX dropped_partition_epoch ON dropped_partition (epoch_id);
