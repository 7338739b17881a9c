-- The one order of all that was recorded, given after the commit. It is the house's, across sites: `index` alone is the
-- key, so that the database itself refuses a second entry at one place. Hence it stands in governance and not in intake,
-- whose keys begin with the site. Rows are only added.
CREATE TABLE governance.sequenced_entry (
  index       bigint PRIMARY KEY CONSTRAINT sequenced_entry_from_zero CHECK (index >= 0),
  site        text NOT NULL,
  recorded_at timestamptz(3) NOT NULL,
  entry_id    uuid NOT NULL,
  known_at    timestamptz(3) NOT NULL,
  -- As in the entry's text, which alone counts; here so that a feed of few kinds reads no other texts.
  action      text NOT NULL,
  CONSTRAINT sequenced_entry_known_later CHECK (known_at >= recorded_at)
);
-- INVARIANT: an entry has one place.
CREATE UNIQUE INDEX sequenced_entry_once ON governance.sequenced_entry (entry_id);

-- Whoever holds the row gives the next places.
CREATE TABLE governance.sequencer (
  sequencer text PRIMARY KEY
);
INSERT INTO governance.sequencer (sequencer) VALUES ('ledger');

-- A backlog is taken a page at a time, each the oldest of what is left.
CREATE INDEX ledger_pending_order ON intake.ledger_pending (recorded_at, entry_id);
