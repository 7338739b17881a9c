-- What each step of a run came to, where the plan says that several runs may carry the evidence step by step; else null.
ALTER TABLE intake.attempts ADD COLUMN steps jsonb;
