-- Makes one month of one partitioned table. The service role may insert through the parent but may neither attach nor own
-- a partition, or it could delete there; so the owner's function does it, with a fixed search path and zone.
-- CREATE TABLE (LIKE) and ATTACH go on beside running inserts; CREATE TABLE ... PARTITION OF would lock the parent.
-- True: made now. False: it was there. Safe to call from many connections at once.
CREATE FUNCTION intake.make_partition(parent text, month date) RETURNS boolean
LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp
SET timezone = 'UTC'
SET datestyle = 'ISO'
AS $$
DECLARE
  part text;
BEGIN
  IF parent IS NULL OR parent NOT IN ('uploads', 'runs', 'readings', 'ledger_entries') THEN
    RAISE EXCEPTION 'intake.% is not partitioned by month', parent USING ERRCODE = 'invalid_parameter_value';
  END IF;
  -- Years outside are garbage clocks, which never reach these tables; the bound keeps a mistake from making thousands.
  IF month IS NULL OR extract(day FROM month) <> 1 OR month < DATE '1970-01-01' OR month >= DATE '2200-01-01' THEN
    RAISE EXCEPTION '% is not the first of a month from 1970 to 2199', month USING ERRCODE = 'invalid_parameter_value';
  END IF;
  part := parent || to_char(month, '_"y"YYYY"m"MM');
  -- 'lkpt' in ASCII. Held until the transaction ends, so that a second caller sees the first one's table.
  PERFORM pg_advisory_xact_lock(x'6c6b7074'::int);
  IF to_regclass(format('intake.%I', part)) IS NOT NULL THEN
    RETURN false;
  END IF;
  EXECUTE format('CREATE TABLE intake.%I (LIKE intake.%I INCLUDING ALL)', part, parent);
  -- The bounds are of the parent's own partition column, whichever it is.
  EXECUTE format('ALTER TABLE intake.%I ATTACH PARTITION intake.%I FOR VALUES FROM (%L) TO (%L)',
    parent, part, month::timestamptz, (month + interval '1 month')::timestamptz);
  RETURN true;
END
$$;
REVOKE ALL ON FUNCTION intake.make_partition(text, date) FROM PUBLIC;
