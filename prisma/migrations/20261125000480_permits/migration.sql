-- Deviation permits: leave given beforehand, bounded in quantity and time. The row holds how far it came, and what the
-- rules say of it at the version that it was checked with last.
CREATE TABLE governance.permit (
  permit          text PRIMARY KEY,
  plan            text NOT NULL,
  revision        integer NOT NULL,
  state           text NOT NULL CONSTRAINT permit_state CHECK (state IN ('requested', 'approved', 'withdrawn')),
  -- Canonical JSON text, which the digest covers.
  content         text NOT NULL,
  digest          text NOT NULL,
  valid_until     timestamptz(3) NOT NULL,
  requested_at    timestamptz(3) NOT NULL,
  requested_by    text NOT NULL,
  approved_at     timestamptz(3),
  approved_by     text,
  meaning         text,
  valid_from      timestamptz(3),
  withdrawn_at    timestamptz(3),
  withdrawn_by    text,
  withdrawal_reason text,
  checked_version integer,
  -- As JSON text; blocks of the revision with the limit relaxed, at the checked version.
  blocks          text NOT NULL,
  CONSTRAINT permit_revision FOREIGN KEY (plan, revision) REFERENCES governance.plan_revision (plan, revision),
  -- INVARIANT: whoever asked for it has not approved it.
  CONSTRAINT permit_two_people CHECK (approved_by IS NULL OR approved_by <> requested_by)
);
CREATE INDEX permit_of_revision ON governance.permit (plan, revision);

-- How many units may pass under a permit, and how many have; the row to lock. A permit is of the house, hence site '*'.
CREATE TABLE intake.permit_counts (
  site_id  text NOT NULL,
  permit   text COLLATE "C" NOT NULL,
  quantity integer NOT NULL,
  used     integer NOT NULL CONSTRAINT permit_counts_used CHECK (used BETWEEN 0 AND quantity),
  PRIMARY KEY (site_id, permit)
);

-- INVARIANT: a unit counts once under a permit, however often it is tested.
CREATE TABLE intake.permit_uses (
  site_id  text NOT NULL,
  permit   text COLLATE "C" NOT NULL,
  product  text COLLATE "C" NOT NULL,
  serial   text COLLATE "C" NOT NULL,
  run_id   uuid NOT NULL,
  taken_at timestamptz(3) NOT NULL,
  PRIMARY KEY (site_id, permit, product, serial)
);
