-- Why a limit moves far, as stated when the revision was submitted, in the order given.
CREATE TABLE governance.limit_reason (
  plan     text NOT NULL,
  revision integer NOT NULL,
  ordinal  integer NOT NULL,
  -- JSON Pointer of the change, as the review names it.
  path     text NOT NULL,
  reason   text NOT NULL,
  PRIMARY KEY (plan, revision, ordinal),
  CONSTRAINT limit_reason_path UNIQUE (plan, revision, path),
  CONSTRAINT limit_reason_revision FOREIGN KEY (plan, revision) REFERENCES governance.plan_revision (plan, revision)
);
