-- What verification found suspicious in the table when it was submitted or published, as JSON; null before that.
ALTER TABLE governance.rule_edition ADD COLUMN table_warnings text;
