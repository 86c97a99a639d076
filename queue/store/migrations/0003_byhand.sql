-- Runs that a person starts and ends on a printer without a link; that the
-- daemon died means nothing to them.
ALTER TABLE runs ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0;
