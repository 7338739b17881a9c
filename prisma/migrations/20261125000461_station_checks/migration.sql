-- Units of which it is known what a tester must say of them; two people stand for that.
CREATE TABLE governance.reference_unit (
  reference_unit text PRIMARY KEY,
  -- As canonical JSON text, which the digest covers: its name, and what it shows at which kind of step.
  content        text NOT NULL,
  digest         text NOT NULL,
  recorded_at    timestamptz(3) NOT NULL,
  recorded_by    text NOT NULL
);

CREATE TABLE governance.reference_unit_confirmation (
  reference_unit text PRIMARY KEY CONSTRAINT reference_unit_confirmation_unit REFERENCES governance.reference_unit (reference_unit),
  meaning        text NOT NULL,
  confirmed_at   timestamptz(3) NOT NULL,
  confirmed_by   text NOT NULL
);

CREATE TABLE governance.reference_unit_withdrawal (
  reference_unit text PRIMARY KEY CONSTRAINT reference_unit_withdrawal_unit REFERENCES governance.reference_unit (reference_unit),
  reason         text NOT NULL,
  withdrawn_at   timestamptz(3) NOT NULL,
  withdrawn_by   text NOT NULL
);

-- What is asked of a station: which kinds of step, and for how long a good check holds.
CREATE TABLE governance.check_plan (
  station      text NOT NULL CONSTRAINT check_plan_station REFERENCES governance.station (station),
  number       integer NOT NULL,
  content      text NOT NULL,
  digest       text NOT NULL,
  -- The same as the content says it, for reading.
  kinds        text[] NOT NULL,
  valid_for_ms bigint NOT NULL,
  recorded_at  timestamptz(3) NOT NULL,
  recorded_by  text NOT NULL,
  PRIMARY KEY (station, number)
);

CREATE TABLE governance.check_plan_confirmation (
  station        text NOT NULL,
  number         integer NOT NULL,
  effective_from timestamptz(3) NOT NULL,
  meaning        text NOT NULL,
  confirmed_at   timestamptz(3) NOT NULL,
  confirmed_by   text NOT NULL,
  PRIMARY KEY (station, number),
  CONSTRAINT check_plan_confirmation_plan FOREIGN KEY (station, number) REFERENCES governance.check_plan (station, number)
);

-- One verification of a station: each reference unit that was tested, what it is known to show, and what was found.
CREATE TABLE governance.station_check (
  station_check text PRIMARY KEY,
  station       text NOT NULL CONSTRAINT station_check_station REFERENCES governance.station (station),
  instrument    text NOT NULL CONSTRAINT station_check_instrument REFERENCES governance.instrument (instrument),
  at            timestamptz(3) NOT NULL,
  results       jsonb NOT NULL,
  recorded_at   timestamptz(3) NOT NULL,
  recorded_by   text NOT NULL
);
CREATE INDEX station_check_dated ON governance.station_check (station, at, station_check);
