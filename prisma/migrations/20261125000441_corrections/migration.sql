-- Corrections of what was sent of a run, by addition: the run's own rows stay as they were. A correction holds what the run
-- comes to with it; one that changes the verdict is in effect when a second person has confirmed it.
CREATE TABLE intake.corrections (
  site_id        text NOT NULL,
  run_id         uuid NOT NULL,
  correction_id  uuid NOT NULL,
  recorded_at    timestamptz(3) NOT NULL,
  recorded_by    text NOT NULL,
  step           text NOT NULL,
  measurement    text NOT NULL,
  member         text NOT NULL,
  -- JSON text of the number before and after, with unit and relation; null where there was no reading.
  number_before  text,
  number_after   text NOT NULL,
  reason         text NOT NULL,
  digest         text NOT NULL,
  verdict_before text NOT NULL CONSTRAINT corrections_verdict_before CHECK (verdict_before IN ('fail', 'invalid', 'inconclusive', 'incomplete', 'pass-under-permit', 'pass')),
  verdict_after  text NOT NULL CONSTRAINT corrections_verdict_after CHECK (verdict_after IN ('fail', 'invalid', 'inconclusive', 'incomplete', 'pass-under-permit', 'pass')),
  -- JSON text of what the judge says with it, and of what each step comes to where evidence comes from steps.
  judgement      text NOT NULL,
  steps          jsonb,
  -- The correction in effect when this one was made; null where none was.
  follows        uuid,
  PRIMARY KEY (site_id, run_id, correction_id)
);

CREATE TABLE intake.correction_confirmations (
  site_id       text NOT NULL,
  run_id        uuid NOT NULL,
  correction_id uuid NOT NULL,
  confirmed_at  timestamptz(3) NOT NULL,
  confirmed_by  text NOT NULL,
  meaning       text NOT NULL,
  PRIMARY KEY (site_id, run_id, correction_id)
);
