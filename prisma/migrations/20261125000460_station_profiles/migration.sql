-- How the CSV files of a station are to be read: written by one person, confirmed by another, stopped by anyone of them.
CREATE TABLE governance.station_profile (
  station           text NOT NULL REFERENCES governance.station (station),
  profile           integer NOT NULL,
  state             text NOT NULL CONSTRAINT station_profile_state CHECK (state IN ('in-review', 'confirmed', 'withdrawn')),
  -- Canonical JSON text (RFC 8785), over which the digest is taken.
  content           text NOT NULL,
  digest            text NOT NULL,
  change_reason     text,
  created_at        timestamptz(3) NOT NULL,
  created_by        text NOT NULL,
  confirmed_at      timestamptz(3),
  confirmed_by      text CONSTRAINT station_profile_two_people CHECK (confirmed_by <> created_by),
  confirmed_meaning text,
  effective_from    timestamptz(3),
  withdrawn_at      timestamptz(3),
  withdrawn_by      text,
  withdrawn_reason  text,
  PRIMARY KEY (station, profile)
);

-- The bytes of files, each once at a site: a file that is sent again adds no bytes.
CREATE TABLE intake.file_contents (
  site_id text NOT NULL,
  digest  text NOT NULL,
  bytes   bytea NOT NULL,
  PRIMARY KEY (site_id, digest)
);

-- Files as they were received, taken or refused. The id of one that was taken is also the id of the batch of its rows.
CREATE TABLE intake.files (
  site_id        text NOT NULL,
  file_id        uuid NOT NULL,
  station        text NOT NULL,
  received_at    timestamptz(3) NOT NULL,
  sender         text NOT NULL,
  digest         text NOT NULL,
  length         integer NOT NULL,
  profile        integer,
  profile_digest text,
  rows           integer,
  -- JSON text of why it was refused.
  fault          text,
  PRIMARY KEY (site_id, file_id),
  CONSTRAINT files_taken_or_refused CHECK ((rows IS NULL) <> (fault IS NULL))
);
CREATE INDEX files_file ON intake.files (file_id);
CREATE INDEX files_station ON intake.files (station, file_id);
