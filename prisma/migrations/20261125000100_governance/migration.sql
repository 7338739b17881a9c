-- Governance: small tables that people change through signed acts. Each has a model in schema.prisma.
-- Exclusion on text and ranges together needs btree_gist, a trusted extension that an ordinary owner may create.
CREATE SCHEMA IF NOT EXISTS governance;
CREATE EXTENSION IF NOT EXISTS btree_gist WITH SCHEMA public;

-- ---------------------------------------------------------------------------------------------- who and where
CREATE TABLE governance.site (
  site        text PRIMARY KEY,
  name        text NOT NULL,
  time_zone   text NOT NULL,
  opened_at   timestamptz(3) NOT NULL,
  recorded_at timestamptz(3) NOT NULL,
  recorded_by text NOT NULL
);

CREATE TABLE governance.station (
  station     text PRIMARY KEY,
  site        text NOT NULL REFERENCES governance.site (site),
  name        text NOT NULL,
  linked      text NOT NULL CONSTRAINT station_linked CHECK (linked IN ('automatic', 'keyed')),
  recorded_at timestamptz(3) NOT NULL,
  recorded_by text NOT NULL
);
CREATE INDEX station_site ON governance.station (site);

CREATE TABLE governance.instrument (
  instrument   text PRIMARY KEY,
  name         text NOT NULL,
  capabilities jsonb NOT NULL,
  recorded_at  timestamptz(3) NOT NULL,
  recorded_by  text NOT NULL
);

-- Dated facts: which instrument stood at which station. Appended; the interval in which one counts is computed.
CREATE TABLE governance.instrument_assignment (
  station     text NOT NULL REFERENCES governance.station (station),
  instrument  text NOT NULL REFERENCES governance.instrument (instrument),
  from_at     timestamptz(3) NOT NULL,
  until_at    timestamptz(3),
  recorded_at timestamptz(3) NOT NULL,
  recorded_by text NOT NULL,
  PRIMARY KEY (station, instrument, from_at),
  CONSTRAINT instrument_assignment_forward CHECK (until_at > from_at)
);
CREATE INDEX instrument_assignment_instrument ON governance.instrument_assignment (instrument);

CREATE TABLE governance.calibration (
  calibration  text PRIMARY KEY,
  instrument   text NOT NULL REFERENCES governance.instrument (instrument),
  performed_at timestamptz(3) NOT NULL,
  due_on       date NOT NULL,
  recorded_at  timestamptz(3) NOT NULL,
  recorded_by  text NOT NULL
);
CREATE INDEX calibration_instrument ON governance.calibration (instrument, performed_at);

-- Names live here alone: they enter neither a digest nor the ledger.
CREATE TABLE governance.person (
  person      text PRIMARY KEY,
  name        text NOT NULL,
  roles       text[] NOT NULL CONSTRAINT person_roles CHECK (roles <@ ARRAY['author', 'approver', 'analyst', 'administrator']),
  recorded_at timestamptz(3) NOT NULL,
  recorded_by text NOT NULL
);

CREATE TABLE governance.access_key (
  key            text PRIMARY KEY,
  kind           text NOT NULL CONSTRAINT access_key_kind CHECK (kind IN ('person', 'station', 'gateway')),
  person         text REFERENCES governance.person (person),
  site           text REFERENCES governance.site (site),
  secret_hash    text NOT NULL,
  recorded_at    timestamptz(3) NOT NULL,
  recorded_by    text NOT NULL,
  revoked_at     timestamptz(3),
  revoked_by     text,
  revoked_reason text,
  CONSTRAINT access_key_holder CHECK ((kind = 'person') = (person IS NOT NULL) AND (kind = 'person') = (site IS NULL)),
  CONSTRAINT access_key_revoked CHECK ((revoked_at IS NULL) = (revoked_by IS NULL) AND (revoked_at IS NULL) = (revoked_reason IS NULL))
);
CREATE INDEX access_key_person ON governance.access_key (person);

CREATE TABLE governance.key_station (
  key     text NOT NULL REFERENCES governance.access_key (key),
  station text NOT NULL REFERENCES governance.station (station),
  PRIMARY KEY (key, station)
);

-- A person's secret for one-time codes, sealed with a key that is not in the database.
CREATE TABLE governance.one_time_secret (
  person     text NOT NULL REFERENCES governance.person (person),
  fetched_at timestamptz(3) NOT NULL,
  sealed     text NOT NULL,
  voided_at  timestamptz(3),
  voided_by  text,
  PRIMARY KEY (person, fetched_at)
);
-- INVARIANT: a person has at most one secret that still counts.
CREATE UNIQUE INDEX one_time_secret_live ON governance.one_time_secret (person) WHERE voided_at IS NULL;

-- INVARIANT: each one-time code is accepted once.
CREATE TABLE governance.used_code (
  person    text NOT NULL REFERENCES governance.person (person),
  time_step bigint NOT NULL,
  PRIMARY KEY (person, time_step)
);

CREATE TABLE governance.presence (
  key      text PRIMARY KEY REFERENCES governance.access_key (key),
  until_at timestamptz(3) NOT NULL
);

-- ---------------------------------------------------------------------------------------------- products
CREATE TABLE governance.product (
  product     text PRIMARY KEY,
  recorded_at timestamptz(3) NOT NULL
);

CREATE TABLE governance.product_version (
  product           text NOT NULL REFERENCES governance.product (product),
  version           integer NOT NULL CONSTRAINT product_version_positive CHECK (version > 0),
  state             text NOT NULL CONSTRAINT product_version_state CHECK (state IN ('draft', 'in-review', 'confirmed')),
  content           text NOT NULL,
  digest            text NOT NULL,
  change_reason     text,
  authors           text[] NOT NULL,
  created_at        timestamptz(3) NOT NULL,
  submitted_at      timestamptz(3),
  submitted_by      text,
  confirmed_at      timestamptz(3),
  confirmed_by      text,
  confirmed_meaning text,
  effective_from    timestamptz(3),
  -- The rules version that this confirmation became: revisions are checked version by version.
  rules_version     integer,
  PRIMARY KEY (product, version),
  CONSTRAINT product_version_confirmed CHECK ((state = 'confirmed') = (confirmed_at IS NOT NULL AND confirmed_by IS NOT NULL
    AND confirmed_meaning IS NOT NULL AND effective_from IS NOT NULL AND rules_version IS NOT NULL)),
  CONSTRAINT product_version_two_people CHECK (confirmed_by IS NULL OR NOT confirmed_by = ANY (authors)),
  CONSTRAINT product_version_not_backwards CHECK (effective_from > confirmed_at)
);
CREATE UNIQUE INDEX product_version_rules_version ON governance.product_version (rules_version);

-- ---------------------------------------------------------------------------------------------- rule tables
CREATE TABLE governance.rule_set (
  rule_set    text PRIMARY KEY,
  recorded_at timestamptz(3) NOT NULL
);

CREATE TABLE governance.rule_table (
  rule_table  text PRIMARY KEY,
  rule_set    text NOT NULL REFERENCES governance.rule_set (rule_set),
  recorded_at timestamptz(3) NOT NULL
);

CREATE TABLE governance.rule_edition (
  rule_table        text NOT NULL REFERENCES governance.rule_table (rule_table),
  edition           integer NOT NULL CONSTRAINT rule_edition_positive CHECK (edition > 0),
  state             text NOT NULL CONSTRAINT rule_edition_state CHECK (state IN ('draft', 'in-review', 'published')),
  content           text NOT NULL,
  digest            text NOT NULL,
  change_reason     text,
  authors           text[] NOT NULL,
  created_at        timestamptz(3) NOT NULL,
  submitted_at      timestamptz(3),
  submitted_by      text,
  published_at      timestamptz(3),
  published_by      text,
  published_meaning text,
  effective_from    timestamptz(3),
  binds_because     text,
  rules_version     integer,
  PRIMARY KEY (rule_table, edition),
  CONSTRAINT rule_edition_published CHECK ((state = 'published') = (published_at IS NOT NULL AND published_by IS NOT NULL
    AND published_meaning IS NOT NULL AND effective_from IS NOT NULL AND rules_version IS NOT NULL)),
  CONSTRAINT rule_edition_two_people CHECK (published_by IS NULL OR NOT published_by = ANY (authors)),
  CONSTRAINT rule_edition_not_backwards CHECK (effective_from > published_at)
);
CREATE UNIQUE INDEX rule_edition_rules_version ON governance.rule_edition (rules_version);

-- ---------------------------------------------------------------------------------------------- plans
CREATE TABLE governance.plan (
  plan        text PRIMARY KEY,
  product     text NOT NULL REFERENCES governance.product (product),
  operation   text NOT NULL,
  recorded_at timestamptz(3) NOT NULL
);

CREATE TABLE governance.plan_revision (
  plan              text NOT NULL REFERENCES governance.plan (plan),
  revision          integer NOT NULL CONSTRAINT plan_revision_positive CHECK (revision > 0),
  state             text NOT NULL CONSTRAINT plan_revision_state CHECK (state IN ('draft', 'in-review', 'approved', 'withdrawn')),
  product           text NOT NULL,
  product_version   integer NOT NULL,
  content           text NOT NULL,
  digest            text NOT NULL,
  change_reason     text,
  authors           text[] NOT NULL,
  created_at        timestamptz(3) NOT NULL,
  submitted_at      timestamptz(3),
  submitted_by      text,
  approved_at       timestamptz(3),
  approved_by       text,
  approved_meaning  text,
  approved_comment  text,
  in_force_from     timestamptz(3),
  -- The rules version with which the approval found it conforming; later versions are replayed from here.
  approved_version  integer,
  -- The rules version of its newest check; what is behind the gate's is found by this.
  checked_version   integer,
  withdrawn_at      timestamptz(3),
  withdrawn_by      text,
  withdrawn_reason  text,
  withdrawn_from    timestamptz(3),
  PRIMARY KEY (plan, revision),
  FOREIGN KEY (product, product_version) REFERENCES governance.product_version (product, version),
  CONSTRAINT plan_revision_approved CHECK (state NOT IN ('approved', 'withdrawn') OR (approved_at IS NOT NULL AND approved_by IS NOT NULL
    AND approved_meaning IS NOT NULL AND in_force_from IS NOT NULL AND approved_version IS NOT NULL)),
  CONSTRAINT plan_revision_withdrawn CHECK ((state = 'withdrawn') = (withdrawn_at IS NOT NULL AND withdrawn_by IS NOT NULL
    AND withdrawn_reason IS NOT NULL AND withdrawn_from IS NOT NULL)),
  CONSTRAINT plan_revision_two_people CHECK (approved_by IS NULL OR NOT approved_by = ANY (authors)),
  CONSTRAINT plan_revision_not_backwards CHECK (in_force_from > approved_at)
);
CREATE INDEX plan_revision_checked ON governance.plan_revision (checked_version) WHERE state IN ('in-review', 'approved');

-- Which revision is the one to use. No variants: the empty text, since NULLs never exclude each other.
CREATE TABLE governance.in_force (
  plan      text NOT NULL,
  revision  integer NOT NULL,
  product   text NOT NULL,
  variant   text NOT NULL,
  operation text NOT NULL,
  site      text NOT NULL REFERENCES governance.site (site),
  from_at   timestamptz(3) NOT NULL,
  until_at  timestamptz(3),
  PRIMARY KEY (plan, revision, variant, site),
  FOREIGN KEY (plan, revision) REFERENCES governance.plan_revision (plan, revision),
  CONSTRAINT in_force_forward CHECK (until_at >= from_at),
  -- INVARIANT: at any instant one revision of any plan at most, for a variant, operation and site. An interval that a
  -- withdrawal emptied (until_at = from_at) excludes nothing.
  CONSTRAINT in_force_one EXCLUDE USING gist (product WITH =, variant WITH =, operation WITH =, site WITH =,
    tstzrange(from_at, until_at, '[)') WITH &&)
);
CREATE INDEX in_force_site ON governance.in_force (site, product, operation, variant);

CREATE TABLE governance.revision_check (
  plan           text NOT NULL,
  revision       integer NOT NULL,
  rules_version  integer NOT NULL,
  verdict        text NOT NULL CONSTRAINT revision_check_verdict CHECK (verdict IN ('conforms', 'blocked', 'not-checkable')),
  editions       text[] NOT NULL,
  -- JSON text: the editions that apply, interval by interval, since a run cites those of its own start.
  applied        text NOT NULL,
  blocking_count integer NOT NULL,
  warning_count  integer NOT NULL,
  digest         text NOT NULL,
  checked_at     timestamptz(3) NOT NULL,
  PRIMARY KEY (plan, revision, rules_version),
  FOREIGN KEY (plan, revision) REFERENCES governance.plan_revision (plan, revision)
);

CREATE TABLE governance.finding (
  plan          text NOT NULL,
  revision      integer NOT NULL,
  rules_version integer NOT NULL,
  ordinal       integer NOT NULL,
  severity      text NOT NULL CONSTRAINT finding_severity CHECK (severity IN ('blocking', 'warning')),
  code          text NOT NULL,
  from_at       timestamptz(3) NOT NULL,
  until_at      timestamptz(3),
  content       text NOT NULL,
  PRIMARY KEY (plan, revision, rules_version, ordinal)
);

-- The blocks of a revision as its check at one rules version found them; the newest check's rows are the ones that count.
CREATE TABLE governance.block (
  plan          text NOT NULL,
  revision      integer NOT NULL,
  rules_version integer NOT NULL,
  from_at       timestamptz(3) NOT NULL,
  until_at      timestamptz(3),
  -- The rules version whose publication began it.
  cause_version integer NOT NULL,
  causes        text NOT NULL,
  PRIMARY KEY (plan, revision, rules_version, from_at),
  CONSTRAINT block_forward CHECK (until_at > from_at)
);

-- ---------------------------------------------------------------------------------------------- programmings
CREATE TABLE governance.programming (
  programming     text PRIMARY KEY,
  station         text NOT NULL REFERENCES governance.station (station),
  instrument      text NOT NULL REFERENCES governance.instrument (instrument),
  programs        text[] NOT NULL CONSTRAINT programming_programs CHECK (cardinality(programs) > 0),
  plan            text NOT NULL,
  revision        integer NOT NULL,
  revision_digest text NOT NULL,
  keyed_by        text NOT NULL REFERENCES governance.person (person),
  read_back_by    text NOT NULL REFERENCES governance.person (person),
  at              timestamptz(3) NOT NULL,
  recorded_at     timestamptz(3) NOT NULL,
  FOREIGN KEY (plan, revision) REFERENCES governance.plan_revision (plan, revision),
  CONSTRAINT programming_two_people CHECK (keyed_by <> read_back_by)
);
CREATE INDEX programming_instrument ON governance.programming (instrument, at);
CREATE INDEX programming_station ON governance.programming (station);

CREATE TABLE governance.programming_ending (
  programming text PRIMARY KEY REFERENCES governance.programming (programming),
  at          timestamptz(3) NOT NULL,
  reason      text NOT NULL,
  ended_by    text NOT NULL REFERENCES governance.person (person),
  recorded_at timestamptz(3) NOT NULL
);
