-- Intake: what stations send and what follows from it. SQL only, never in schema.prisma. Every key begins with site_id, so
-- that the tables can be spread by site; no foreign keys to, from or inside this schema (the gate proves existence);
-- partitioned tables have no DEFAULT partition, since a row in it would make the real partition impossible to create.
CREATE SCHEMA IF NOT EXISTS intake;

-- One row per site and the row '*' for the house. Its version counts the acts that may change what counts there.
CREATE TABLE intake.gate (
  site_id       text PRIMARY KEY,
  version       bigint NOT NULL,
  rules_version integer NOT NULL,
  recorded_at   timestamptz(3) NOT NULL
);
INSERT INTO intake.gate (site_id, version, rules_version, recorded_at) VALUES ('*', 0, 0, '1970-01-01T00:00:00Z');

CREATE TABLE intake.gate_changes (
  site_id text NOT NULL,
  version bigint NOT NULL,
  kind    text NOT NULL,
  key     text NOT NULL,
  PRIMARY KEY (site_id, version, kind, key)
);

-- INVARIANT: one upload key means one content, for ever.
CREATE TABLE intake.upload_keys (
  site_id     text NOT NULL,
  station     text COLLATE "C" NOT NULL,
  upload_key  text COLLATE "C" NOT NULL,
  digest      text NOT NULL,
  upload_id   uuid NOT NULL,
  received_at timestamptz(3) NOT NULL,
  PRIMARY KEY (site_id, station, upload_key)
);

-- Every upload of an authenticated sender, whatever became of it. `started_at` points on to runs where a row follows;
-- where none does, `judgement` holds what the judge said.
CREATE TABLE intake.uploads (
  site_id         text NOT NULL,
  received_at     timestamptz(3) NOT NULL,
  upload_id       uuid NOT NULL,
  station         text,
  upload_key      text,
  sequence_number bigint,
  sender          text NOT NULL,
  sent_at         timestamptz(3),
  skew_ms         bigint,
  batch_id        uuid,
  line            integer,
  raw             bytea NOT NULL,
  content_digest  text,
  outcome         text NOT NULL CONSTRAINT uploads_outcome CHECK (outcome IN ('accepted', 'held', 'rejected', 'conflict', 'unreadable', 'failed')),
  status          smallint NOT NULL,
  codes           text NOT NULL,
  product         text,
  serial          text,
  plan            text,
  revision        integer,
  started_at      timestamptz(3),
  judgement       text,
  PRIMARY KEY (site_id, received_at, upload_id)
) PARTITION BY RANGE (received_at);
CREATE INDEX uploads_not_accepted ON intake.uploads (site_id, outcome, received_at) WHERE outcome <> 'accepted';
CREATE INDEX uploads_serial ON intake.uploads (product, serial);

CREATE TABLE intake.runs (
  site_id         text NOT NULL,
  started_at      timestamptz(3) NOT NULL,
  run_id          uuid NOT NULL,
  received_at     timestamptz(3) NOT NULL,
  station         text NOT NULL,
  upload_key      text NOT NULL,
  sequence_number bigint NOT NULL,
  outcome         text NOT NULL CONSTRAINT runs_outcome CHECK (outcome IN ('accepted', 'held')),
  purpose         text NOT NULL CONSTRAINT runs_purpose CHECK (purpose IN ('production', 'verification', 'engineering')),
  source          text NOT NULL CONSTRAINT runs_source CHECK (source IN ('instrument', 'keyed', 'manual')),
  product         text NOT NULL,
  variant         text NOT NULL,
  serial          text NOT NULL,
  operation       text NOT NULL,
  plan            text NOT NULL,
  revision        integer NOT NULL,
  revision_digest text NOT NULL,
  product_version integer NOT NULL,
  rules_version   integer NOT NULL,
  editions        text[] NOT NULL,
  decision_rule   text NOT NULL,
  instrument      text NOT NULL,
  calibration     text,
  programming     text,
  person          text NOT NULL,
  started_at_sent timestamptz(3) NOT NULL,
  ended_at        timestamptz(3) NOT NULL,
  verdict         text NOT NULL CONSTRAINT runs_verdict CHECK (verdict IN ('fail', 'invalid', 'inconclusive', 'incomplete', 'pass-under-permit', 'pass')),
  station_verdict text,
  attempt_cause   text,
  attempt_of      text,
  job_order       text,
  material_lot    text,
  component_lots  text,
  ambient         text,
  judgement       text NOT NULL,
  PRIMARY KEY (site_id, started_at, run_id)
) PARTITION BY RANGE (started_at);

-- One row per planned measurement with a result. Numbers are exact, in canonical units (V A Ohm s Hz); text as received.
CREATE TABLE intake.readings (
  site_id           text NOT NULL,
  started_at        timestamptz(3) NOT NULL,
  run_id            uuid NOT NULL,
  step              text NOT NULL,
  measurement       text NOT NULL,
  kind              text NOT NULL,
  termination       text NOT NULL,
  verdict           text NOT NULL,
  quantity          text,
  detector          text,
  value             numeric,
  relation          text,
  unit              text,
  text              text,
  judged            numeric,
  test_voltage      numeric,
  test_current      numeric,
  dwell             numeric,
  frequency         numeric,
  residual_voltage  numeric,
  limit_lower       numeric,
  limit_upper       numeric,
  open_lead_minimum numeric,
  PRIMARY KEY (site_id, started_at, run_id, step, measurement)
) PARTITION BY RANGE (started_at);

-- The row to lock: one per unit and site.
CREATE TABLE intake.units (
  site_id text NOT NULL,
  product text COLLATE "C" NOT NULL,
  serial  text COLLATE "C" NOT NULL,
  version bigint NOT NULL,
  PRIMARY KEY (site_id, product, serial)
);
CREATE INDEX units_serial ON intake.units (product, serial);

-- A unit's history: accepted and held runs, and failures reported in rejected ones. Not partitioned, so that a unit is
-- found without a scan over years. `started_at` is the start as used; where none can be trusted, the receipt.
CREATE TABLE intake.attempts (
  site_id          text NOT NULL,
  product          text COLLATE "C" NOT NULL,
  serial           text COLLATE "C" NOT NULL,
  started_at       timestamptz(3) NOT NULL,
  sequence_number  bigint NOT NULL,
  run_id           uuid NOT NULL,
  received_at      timestamptz(3) NOT NULL,
  station          text NOT NULL,
  upload_key       text NOT NULL,
  outcome          text NOT NULL CONSTRAINT attempts_outcome CHECK (outcome IN ('accepted', 'held', 'rejected')),
  codes            text[] NOT NULL,
  purpose          text NOT NULL,
  verdict          text,
  operation        text,
  variant          text,
  plan             text,
  revision         integer,
  instrument       text,
  programming      text,
  attempt_cause    text,
  reported_failure boolean NOT NULL,
  PRIMARY KEY (site_id, product, serial, started_at, sequence_number, run_id)
);
CREATE INDEX attempts_unit ON intake.attempts (product, serial);

-- Canonical bytes as text, never jsonb: the leaf hash is taken over them. Governance acts stand under site '*'.
CREATE TABLE intake.ledger_entries (
  site_id     text NOT NULL,
  recorded_at timestamptz(3) NOT NULL,
  entry_id    uuid NOT NULL,
  content     text NOT NULL,
  leaf_hash   text NOT NULL,
  PRIMARY KEY (site_id, recorded_at, entry_id)
) PARTITION BY RANGE (recorded_at);

CREATE TABLE intake.ledger_pending (
  site_id     text NOT NULL,
  entry_id    uuid NOT NULL,
  recorded_at timestamptz(3) NOT NULL,
  PRIMARY KEY (site_id, entry_id)
);
