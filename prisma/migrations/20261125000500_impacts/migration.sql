-- What publishing an edition would do, asked beforehand. The row holds how far the answer came and its figures, which the
-- publication repeats; what was found is only added, in the same transaction as the place to go on from.
CREATE TABLE governance.edition_impact (
  impact                text PRIMARY KEY,
  rule_table            text NOT NULL,
  edition               integer NOT NULL,
  digest                text NOT NULL,
  -- As the publication would state them; null: at once, and no reason.
  effective_from        timestamptz(3),
  binds_because         text,
  -- The rules that it was worked out with.
  rules_version         integer NOT NULL,
  state                 text NOT NULL
    CONSTRAINT edition_impact_state CHECK (state IN ('checking', 'studying', 'done', 'failed')),
  failure               text,
  study                 text NOT NULL,
  revisions_total       integer NOT NULL,
  revisions_checked     integer NOT NULL,
  revisions_blocked     integer NOT NULL,
  revisions_unapprovable integer NOT NULL,
  revisions_uncheckable integer NOT NULL,
  permits_beyond        integer NOT NULL,
  -- Null until the study has ended.
  runs_affected         integer,
  -- The last revision looked at; null: none yet.
  cursor_plan           text,
  cursor_revision       integer,
  asked_at              timestamptz(3) NOT NULL,
  asked_by              text NOT NULL,
  ended_at              timestamptz(3),
  CONSTRAINT edition_impact_edition FOREIGN KEY (rule_table, edition)
    REFERENCES governance.rule_edition (rule_table, edition)
);
CREATE INDEX edition_impact_of_content ON governance.edition_impact (rule_table, edition, digest, asked_at);
CREATE INDEX edition_impact_waiting ON governance.edition_impact (asked_at, impact) WHERE state IN ('checking', 'studying');

CREATE TABLE governance.impact_finding (
  impact  text NOT NULL CONSTRAINT impact_finding_impact REFERENCES governance.edition_impact (impact),
  ordinal integer NOT NULL,
  finding text NOT NULL,
  PRIMARY KEY (impact, ordinal)
);
