-- Batches: many uploads in one request. Each line is an upload like any other and says which line of which batch it was,
-- so that the answers of a batch are a question and no store of their own.
CREATE TABLE intake.batches (
  site_id     text NOT NULL,
  batch_id    uuid NOT NULL,
  received_at timestamptz(3) NOT NULL,
  sender      text NOT NULL,
  PRIMARY KEY (site_id, batch_id)
);
CREATE INDEX batches_batch ON intake.batches (batch_id);

-- How a batch ended; none where it is still coming in, or where the service died under it.
CREATE TABLE intake.batch_ends (
  site_id  text NOT NULL,
  batch_id uuid NOT NULL,
  ended_at timestamptz(3) NOT NULL,
  lines    integer NOT NULL,
  reason   text NOT NULL CONSTRAINT batch_ends_reason CHECK (reason IN ('complete', 'client-gone', 'idle', 'stream-broken', 'key-revoked', 'interrupted')),
  detail   text,
  PRIMARY KEY (site_id, batch_id)
);

-- A repeat within a batch keeps no bytes of its own: it points to the upload that has the same key and content.
ALTER TABLE intake.uploads ADD COLUMN first_upload_id uuid;
ALTER TABLE intake.uploads ADD COLUMN first_received_at timestamptz(3);
-- JSON text of why the bytes of an unreadable upload could not be read; of an over-long line its length and hash as well.
ALTER TABLE intake.uploads ADD COLUMN fault text;
ALTER TABLE intake.uploads DROP CONSTRAINT uploads_outcome;
ALTER TABLE intake.uploads ADD CONSTRAINT uploads_outcome
  CHECK (outcome IN ('accepted', 'held', 'rejected', 'conflict', 'unreadable', 'failed', 'repeated'));
CREATE INDEX uploads_batch ON intake.uploads (site_id, batch_id, line) WHERE batch_id IS NOT NULL;
