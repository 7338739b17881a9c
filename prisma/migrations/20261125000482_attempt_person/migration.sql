-- Whom the run names: a run that is held because nobody knew the person is settled once somebody does.
ALTER TABLE intake.attempts ADD COLUMN person text;
