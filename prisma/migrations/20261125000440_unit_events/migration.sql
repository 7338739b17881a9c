-- What happened to a unit outside a test. Rows are only added; what they make of the unit is computed. `event_key` is the
-- recorder's own: the same key means the same event, for ever.
CREATE TABLE intake.unit_events (
  site_id     text NOT NULL,
  product     text COLLATE "C" NOT NULL,
  serial      text COLLATE "C" NOT NULL,
  at          timestamptz(3) NOT NULL,
  event_id    uuid NOT NULL,
  event_key   text COLLATE "C" NOT NULL,
  event       text NOT NULL CONSTRAINT unit_events_event CHECK (event IN ('opened', 'reworked', 'shipped', 'returned', 'scrapped')),
  reason      text,
  reference   text,
  recorded_at timestamptz(3) NOT NULL,
  recorded_by text NOT NULL,
  PRIMARY KEY (site_id, product, serial, at, event_id)
);
CREATE INDEX unit_events_unit ON intake.unit_events (product, serial);
-- INVARIANT: one event key means one event.
CREATE UNIQUE INDEX unit_events_key ON intake.unit_events (site_id, event_key);
