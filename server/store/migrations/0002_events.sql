-- What agents delivered, what the timeline made of it, and how far each agent has got.
-- min_server: 0.1.0

-- Epochs of agents. One row is the current one of its agent (superseded_at is null); its watermark is in agent_watermark.
-- Upkeep checks, per epoch: rows in event = watermark - tombstoned - rejected - parked - lost.
CREATE TABLE agent_epoch (
  epoch_id        integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  agent_id        integer NOT NULL,
  epoch           bytea NOT NULL CHECK (octet_length(epoch) = 16),
  predecessor     bytea NOT NULL,
  boot            bytea NOT NULL,
  -- UTC minus the agent's monotonic clock, where the server could compare them in the same boot.
  clock_offset_us bigint,
  began_at        timestamptz NOT NULL DEFAULT now(),
  superseded_at   timestamptz,
  final_watermark bigint,
  tombstoned      bigint NOT NULL DEFAULT 0,
  rejected        bigint NOT NULL DEFAULT 0,
  parked          bigint NOT NULL DEFAULT 0,
  lost            bigint NOT NULL DEFAULT 0,
  UNIQUE (agent_id, epoch)
);

-- One row an agent: what a writer locks before it takes in anything of it.
CREATE TABLE agent_watermark (
  agent_id       integer PRIMARY KEY,
  site_id        integer NOT NULL,
  epoch_id       integer,
  watermark      bigint NOT NULL DEFAULT 0,
  observed_until timestamptz NOT NULL DEFAULT '-infinity',
  -- Grows with every commit that touches the agent: what a server remembers of it is valid only at the same number.
  fold_version   bigint NOT NULL DEFAULT 0
) WITH (fillfactor = 50);

-- What is open at a machine under one assignment; the serialized state is the timeline's.
CREATE TABLE machine_state (
  assignment_id    integer PRIMARY KEY,
  machine_id       integer NOT NULL,
  agent_id         integer NOT NULL,
  site_id          integer NOT NULL,
  state            bytea NOT NULL,
  first_event_at   timestamptz NOT NULL,
  cycles_completed bigint NOT NULL DEFAULT 0,
  cycles_aborted   bigint NOT NULL DEFAULT 0,
  ended            boolean NOT NULL DEFAULT false,
  changed_xid      xid8 NOT NULL
) WITH (fillfactor = 50);

-- Every accepted event as it was delivered. Partitioned by the UTC day of its receipt, so that late data always finds a
-- partition. No key on purpose: the watermark makes each row unique.
CREATE TABLE event (
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
  payload      bytea NOT NULL
) PARTITION BY RANGE (received_at);
CREATE INDEX event_received_at ON event USING brin (received_at);

-- Spells that have ended; open ones are in machine_state.
CREATE TABLE spell (
  raised_at         timestamptz NOT NULL,
  cleared_at        timestamptz NOT NULL,
  first_received_at timestamptz NOT NULL,
  last_received_at  timestamptz NOT NULL,
  first_sequence    bigint NOT NULL,
  last_sequence     bigint NOT NULL,
  site_id           integer NOT NULL,
  machine_id        integer NOT NULL,
  assignment_id     integer NOT NULL,
  first_epoch_id    integer NOT NULL,
  last_epoch_id     integer NOT NULL,
  fault_class       integer NOT NULL,
  priority          integer NOT NULL,
  further_raises    integer NOT NULL,
  effect            smallint NOT NULL,
  origin            smallint NOT NULL,
  ended             smallint NOT NULL,
  began_unobserved  boolean NOT NULL,
  rehearsal         boolean NOT NULL,
  raw_code          text NOT NULL,
  raw_text          text NOT NULL
);
CREATE INDEX spell_machine ON spell (machine_id, cleared_at);

CREATE TABLE mode_span (
  from_at           timestamptz NOT NULL,
  to_at             timestamptz NOT NULL,
  first_received_at timestamptz NOT NULL,
  last_received_at  timestamptz NOT NULL,
  first_sequence    bigint NOT NULL,
  last_sequence     bigint NOT NULL,
  site_id           integer NOT NULL,
  machine_id        integer NOT NULL,
  assignment_id     integer NOT NULL,
  first_epoch_id    integer NOT NULL,
  last_epoch_id     integer NOT NULL,
  mode              smallint NOT NULL,
  reason            smallint NOT NULL,
  rehearsal         boolean NOT NULL
);
CREATE INDEX mode_span_machine ON mode_span (machine_id, to_at);

CREATE TABLE observed_span (
  from_at           timestamptz NOT NULL,
  to_at             timestamptz NOT NULL,
  first_received_at timestamptz NOT NULL,
  last_received_at  timestamptz NOT NULL,
  first_sequence    bigint NOT NULL,
  last_sequence     bigint NOT NULL,
  site_id           integer NOT NULL,
  machine_id        integer NOT NULL,
  assignment_id     integer NOT NULL,
  first_epoch_id    integer NOT NULL,
  last_epoch_id     integer NOT NULL,
  loss_reason       smallint NOT NULL,
  rehearsal         boolean NOT NULL
);
CREATE INDEX observed_span_machine ON observed_span (machine_id, to_at);

-- Stretches cut and made unknown: a clock stepped back over them, or their events do not exist any more.
CREATE TABLE voided_span (
  from_at       timestamptz NOT NULL,
  to_at         timestamptz NOT NULL,
  site_id       integer NOT NULL,
  machine_id    integer NOT NULL,
  assignment_id integer NOT NULL
);
CREATE INDEX voided_span_machine ON voided_span (machine_id, to_at);

CREATE TABLE cycle (
  started_at        timestamptz NOT NULL,  -- '-infinity': not known
  finished_at       timestamptz NOT NULL,
  first_received_at timestamptz NOT NULL,
  received_at       timestamptz NOT NULL,
  first_sequence    bigint NOT NULL,
  last_sequence     bigint NOT NULL,
  site_id           integer NOT NULL,
  machine_id        integer NOT NULL,
  assignment_id     integer NOT NULL,
  first_epoch_id    integer NOT NULL,
  last_epoch_id     integer NOT NULL,
  abort_cause       integer NOT NULL,
  outcome           smallint NOT NULL,
  sold_as           smallint NOT NULL,
  paid_by           smallint NOT NULL,
  rehearsal         boolean NOT NULL,
  cycle             text NOT NULL,
  programme         text NOT NULL
) PARTITION BY RANGE (received_at);
CREATE INDEX cycle_machine ON cycle (machine_id, finished_at);

-- Washes of each hour and programme, kept when the cycles themselves are dropped.
CREATE TABLE cycle_hour (
  site_id    integer NOT NULL,
  machine_id integer NOT NULL,
  hour       timestamptz NOT NULL,
  programme  text NOT NULL,
  completed  integer NOT NULL,
  aborted    integer NOT NULL,
  PRIMARY KEY (site_id, machine_id, hour, programme)
);

-- Events an agent had to drop, and events the server lost; the sequence numbers they stand for.
CREATE TABLE missing_events (
  site_id        integer NOT NULL,
  agent_id       integer NOT NULL,
  epoch_id       integer NOT NULL,
  first_sequence bigint NOT NULL,
  last_sequence  bigint NOT NULL,
  from_at        timestamptz NOT NULL,
  to_at          timestamptz NOT NULL,
  received_at    timestamptz NOT NULL,
  kind           smallint NOT NULL,  -- bayward.v1.TombstoneKind; 0: lost by the server
  reason         text NOT NULL
);

CREATE TABLE rejected_event (
  received_at timestamptz NOT NULL,
  site_id     integer NOT NULL,
  agent_id    integer NOT NULL,
  epoch_id    integer NOT NULL,
  sequence    bigint NOT NULL,
  machine     text NOT NULL,
  reason      text NOT NULL,
  detail      text NOT NULL,
  payload     bytea NOT NULL
);
CREATE INDEX rejected_event_received_at ON rejected_event USING brin (received_at);

-- Events of machines that are not declared yet, folded in order once they are.
CREATE TABLE parked_event (
  received_at timestamptz NOT NULL,
  site_id     integer NOT NULL,
  agent_id    integer NOT NULL,
  epoch_id    integer NOT NULL,
  sequence    bigint NOT NULL,
  machine     text NOT NULL,
  payload     bytea NOT NULL
);
CREATE INDEX parked_event_agent ON parked_event (agent_id, machine);

-- What an agent with backlog says of now. The timeline never reads it.
CREATE TABLE live_report (
  agent_id    integer PRIMARY KEY,
  epoch       bytea NOT NULL,
  at_sequence bigint NOT NULL,
  as_of       timestamptz NOT NULL,
  report      bytea NOT NULL,
  changed_xid xid8 NOT NULL
) WITH (fillfactor = 50);

-- When an agent was last heard, and what it said of itself.
CREATE TABLE agent_presence (
  agent_id       integer PRIMARY KEY,
  last_seen      timestamptz NOT NULL,
  connected      boolean NOT NULL,
  version        text NOT NULL,
  last_recorded  bigint NOT NULL,
  backlog_events bigint NOT NULL,
  spool_bytes    bigint NOT NULL,
  spool_bytes_max bigint NOT NULL,
  dropped_events bigint NOT NULL,
  clock_offset_us bigint NOT NULL,
  code_books     jsonb NOT NULL
) WITH (fillfactor = 50);
