-- Studies: a question that a person asked over stored runs, worked through a page at a time. The row holds how far it
-- came; what it found is only added, in the same transaction as the place to go on from.
CREATE TABLE governance.study (
  study       text PRIMARY KEY,
  question    text NOT NULL,
  -- What the question was resolved to when it was asked, as JSON text: the digests of the contents, the kinds and since when.
  scope       text NOT NULL,
  state       text NOT NULL CONSTRAINT study_state CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
  failure     text,
  total       integer NOT NULL,
  done        integer NOT NULL,
  found       integer NOT NULL,
  -- The last run looked at, as JSON text of site, start and id; null: none yet.
  cursor      text,
  -- Of all findings so far, in their order.
  digest      text NOT NULL,
  recorded_at timestamptz(3) NOT NULL,
  recorded_by text NOT NULL,
  ended_at    timestamptz(3)
);
CREATE INDEX study_waiting ON governance.study (recorded_at, study) WHERE state IN ('queued', 'running');

CREATE TABLE governance.study_finding (
  study          text NOT NULL CONSTRAINT study_finding_study REFERENCES governance.study (study),
  ordinal        integer NOT NULL,
  site           text NOT NULL,
  product        text NOT NULL,
  ship_state     text NOT NULL,
  verdict_before text NOT NULL,
  verdict_after  text NOT NULL,
  -- How far the worst number lies beyond its limit, as a share of the limit; negative inside. For ranking alone.
  beyond         numeric NOT NULL,
  finding        text NOT NULL,
  PRIMARY KEY (study, ordinal)
);
CREATE INDEX study_finding_rank ON governance.study_finding (study, beyond, ordinal);

CREATE TABLE governance.study_assessment (
  study       text PRIMARY KEY CONSTRAINT study_assessment_study REFERENCES governance.study (study),
  digest      text NOT NULL,
  conclusion  text NOT NULL,
  meaning     text NOT NULL,
  recorded_at timestamptz(3) NOT NULL,
  recorded_by text NOT NULL
);

-- What a calibration found before adjustment, as JSON text; null where it states nothing.
ALTER TABLE governance.calibration ADD COLUMN as_found jsonb;
