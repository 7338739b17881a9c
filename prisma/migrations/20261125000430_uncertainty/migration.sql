-- What a calibration states of the expanded uncertainty of readings, as JSON text; null where it states nothing.
ALTER TABLE governance.calibration ADD COLUMN uncertainty jsonb;
