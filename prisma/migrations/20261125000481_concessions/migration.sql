-- Leave given after a unit failed; its verdict stays. One person asks, another gives it.
CREATE TABLE intake.concessions (
  site_id      text NOT NULL,
  concession   text COLLATE "C" NOT NULL,
  run_id       uuid NOT NULL,
  product      text COLLATE "C" NOT NULL,
  serial       text COLLATE "C" NOT NULL,
  reference    text NOT NULL,
  reason       text NOT NULL,
  digest       text NOT NULL,
  -- What failed, with its numbers, as JSON text.
  departures   text NOT NULL,
  requested_at timestamptz(3) NOT NULL,
  requested_by text NOT NULL,
  PRIMARY KEY (site_id, concession)
);
CREATE INDEX concessions_run ON intake.concessions (site_id, run_id);
CREATE INDEX concessions_unit ON intake.concessions (product, serial);

CREATE TABLE intake.concession_approvals (
  site_id     text NOT NULL,
  concession  text COLLATE "C" NOT NULL,
  meaning     text NOT NULL,
  approved_at timestamptz(3) NOT NULL,
  approved_by text NOT NULL,
  PRIMARY KEY (site_id, concession)
);
