-- Runs that a person starts and ends on a printer without a link; that the
-- daemon died means nothing to them.
ALTER TABLE runs ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0;

-- Of the person's own list: what they expect of a part that has no file yet, on
-- which printers alone it is to be made (one a line), and columns of theirs that
-- mean nothing here but come out again (JSON).
ALTER TABLE parts ADD COLUMN only_on TEXT NOT NULL DEFAULT '';
ALTER TABLE parts ADD COLUMN hours REAL NOT NULL DEFAULT 0;   -- of one piece; 0: not said
ALTER TABLE parts ADD COLUMN grams REAL NOT NULL DEFAULT 0;
ALTER TABLE builds ADD COLUMN columns TEXT NOT NULL DEFAULT '[]';
ALTER TABLE ways ADD COLUMN extra TEXT NOT NULL DEFAULT '{}';
