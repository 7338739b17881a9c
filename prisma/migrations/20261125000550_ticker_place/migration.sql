-- Many arrivals may share an instant (all that was approved for a Monday morning), so the ticker's place is one of them:
-- all up to it, in this order, are told. '~' lies behind every kind.
ALTER TABLE governance.ticker
  ADD COLUMN told_kind   text COLLATE "C" NOT NULL DEFAULT '~',
  ADD COLUMN told_key    text COLLATE "C" NOT NULL DEFAULT '',
  ADD COLUMN told_number integer NOT NULL DEFAULT 0;
ALTER TABLE governance.ticker
  ALTER COLUMN told_kind DROP DEFAULT, ALTER COLUMN told_key DROP DEFAULT, ALTER COLUMN told_number DROP DEFAULT;
