-- A change that is scheduled can be sent back, stopped before its instant, and told of when its instant comes.

-- ---------------------------------------------------------------------------------------------- rejection, cancellation
ALTER TABLE governance.product_version
  ADD COLUMN rejected_at       timestamptz(3),
  ADD COLUMN rejected_by       text,
  ADD COLUMN rejected_reason   text,
  ADD COLUMN cancelled_at      timestamptz(3),
  ADD COLUMN cancelled_by      text,
  ADD COLUMN cancelled_reason  text,
  -- The rules version from which on it is known to be cancelled; earlier ones are replayed with it.
  ADD COLUMN cancelled_version integer,
  DROP CONSTRAINT product_version_state,
  DROP CONSTRAINT product_version_confirmed,
  ADD CONSTRAINT product_version_state CHECK (state IN ('draft', 'in-review', 'confirmed', 'rejected', 'cancelled')),
  ADD CONSTRAINT product_version_confirmed CHECK ((state IN ('confirmed', 'cancelled')) = (confirmed_at IS NOT NULL
    AND confirmed_by IS NOT NULL AND confirmed_meaning IS NOT NULL AND effective_from IS NOT NULL AND rules_version IS NOT NULL)),
  ADD CONSTRAINT product_version_rejected CHECK ((state = 'rejected') = (rejected_at IS NOT NULL AND rejected_by IS NOT NULL
    AND rejected_reason IS NOT NULL)),
  ADD CONSTRAINT product_version_cancelled CHECK ((state = 'cancelled') = (cancelled_at IS NOT NULL AND cancelled_by IS NOT NULL
    AND cancelled_reason IS NOT NULL AND cancelled_version IS NOT NULL)),
  ADD CONSTRAINT product_version_cancelled_before CHECK (cancelled_at < effective_from);
CREATE UNIQUE INDEX product_version_cancelled_version ON governance.product_version (cancelled_version);

ALTER TABLE governance.rule_edition
  ADD COLUMN rejected_at       timestamptz(3),
  ADD COLUMN rejected_by       text,
  ADD COLUMN rejected_reason   text,
  ADD COLUMN cancelled_at      timestamptz(3),
  ADD COLUMN cancelled_by      text,
  ADD COLUMN cancelled_reason  text,
  ADD COLUMN cancelled_version integer,
  DROP CONSTRAINT rule_edition_state,
  DROP CONSTRAINT rule_edition_published,
  ADD CONSTRAINT rule_edition_state CHECK (state IN ('draft', 'in-review', 'published', 'rejected', 'cancelled')),
  ADD CONSTRAINT rule_edition_published CHECK ((state IN ('published', 'cancelled')) = (published_at IS NOT NULL
    AND published_by IS NOT NULL AND published_meaning IS NOT NULL AND effective_from IS NOT NULL AND rules_version IS NOT NULL)),
  ADD CONSTRAINT rule_edition_rejected CHECK ((state = 'rejected') = (rejected_at IS NOT NULL AND rejected_by IS NOT NULL
    AND rejected_reason IS NOT NULL)),
  ADD CONSTRAINT rule_edition_cancelled CHECK ((state = 'cancelled') = (cancelled_at IS NOT NULL AND cancelled_by IS NOT NULL
    AND cancelled_reason IS NOT NULL AND cancelled_version IS NOT NULL)),
  ADD CONSTRAINT rule_edition_cancelled_before CHECK (cancelled_at < effective_from);
CREATE UNIQUE INDEX rule_edition_cancelled_version ON governance.rule_edition (cancelled_version);

ALTER TABLE governance.plan_revision
  ADD COLUMN rejected_at      timestamptz(3),
  ADD COLUMN rejected_by      text,
  ADD COLUMN rejected_reason  text,
  ADD COLUMN cancelled_at     timestamptz(3),
  ADD COLUMN cancelled_by     text,
  ADD COLUMN cancelled_reason text,
  DROP CONSTRAINT plan_revision_state,
  DROP CONSTRAINT plan_revision_approved,
  ADD CONSTRAINT plan_revision_state CHECK (state IN ('draft', 'in-review', 'approved', 'withdrawn', 'rejected', 'cancelled')),
  ADD CONSTRAINT plan_revision_approved CHECK (state NOT IN ('approved', 'withdrawn', 'cancelled') OR (approved_at IS NOT NULL
    AND approved_by IS NOT NULL AND approved_meaning IS NOT NULL AND in_force_from IS NOT NULL AND approved_version IS NOT NULL)),
  ADD CONSTRAINT plan_revision_rejected CHECK ((state = 'rejected') = (rejected_at IS NOT NULL AND rejected_by IS NOT NULL
    AND rejected_reason IS NOT NULL)),
  ADD CONSTRAINT plan_revision_cancelled CHECK ((state = 'cancelled') = (cancelled_at IS NOT NULL AND cancelled_by IS NOT NULL
    AND cancelled_reason IS NOT NULL)),
  ADD CONSTRAINT plan_revision_cancelled_before CHECK (cancelled_at < in_force_from);

-- A revision that is withdrawn from an instant to come is in force until then, and is checked like any that is.
DROP INDEX governance.plan_revision_checked;
CREATE INDEX plan_revision_checked ON governance.plan_revision (checked_version)
  WHERE state IN ('in-review', 'approved', 'withdrawn');

-- ---------------------------------------------------------------------------------------------- instants that arrive
CREATE INDEX in_force_from ON governance.in_force (from_at);
CREATE INDEX in_force_until ON governance.in_force (until_at);

-- The blocks at the rules version of now, a few of all that were ever found: looked through every second.
CREATE INDEX block_of_version ON governance.block (rules_version, from_at);

-- How far the feed has been told of instants that arrived. From the beginning, so that it is told of those before this
-- release as well, once.
CREATE TABLE governance.ticker (
  ticker       text PRIMARY KEY,
  ticked_until timestamptz(3) NOT NULL
);
INSERT INTO governance.ticker (ticker, ticked_until) VALUES ('instants', '-infinity');

-- Blocks whose beginning the feed was told of. A check may find a block after its first instant has passed, so no clock
-- tells which were told.
CREATE TABLE governance.block_told (
  plan     text NOT NULL,
  revision integer NOT NULL,
  from_at  timestamptz(3) NOT NULL,
  PRIMARY KEY (plan, revision, from_at)
);
