-- What applied when is the same for many revisions, and long: each sweep says it once and not with each check. No foreign
-- key to it: that would lock the one row that all checks of a sweep refer to; `tests/plans/checks.service.test.ts` compares.
CREATE TABLE governance.applied_editions (
  digest   text PRIMARY KEY,
  -- JSON text: the editions that apply, interval by interval. The first begins with the check (`applied_from`).
  applied  text NOT NULL,
  -- The one of these lists that a person is told.
  editions text[] NOT NULL
);
ALTER TABLE governance.revision_check ADD COLUMN applied_digest text, ADD COLUMN applied_from timestamptz(3);
UPDATE governance.revision_check SET
  applied_from = coalesce(to_timestamp((applied::jsonb -> 0 ->> 'from')::bigint / 1000.0), checked_at),
  applied_digest = 'sha256:' || encode(sha256(convert_to(
    jsonb_set(applied::jsonb, '{0,from}', 'null')::text || editions::text, 'UTF8')), 'hex');
INSERT INTO governance.applied_editions (digest, applied, editions)
  SELECT DISTINCT ON (applied_digest) applied_digest, jsonb_set(applied::jsonb, '{0,from}', 'null')::text, editions
  FROM governance.revision_check ORDER BY applied_digest;
ALTER TABLE governance.revision_check
  ALTER COLUMN applied_digest SET NOT NULL, ALTER COLUMN applied_from SET NOT NULL,
  DROP COLUMN editions, DROP COLUMN applied;

-- A sweep writes each live revision's row anew, so its content lies beside the row and not in it.
ALTER TABLE governance.plan_revision SET (toast_tuple_target = 256);

-- What is furthest behind is found first, without reading what is done.
DROP INDEX governance.plan_revision_checked;
CREATE INDEX plan_revision_behind ON governance.plan_revision ((coalesce(checked_version, 0)))
  WHERE state IN ('in-review', 'approved', 'withdrawn');
