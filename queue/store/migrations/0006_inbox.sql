-- What was taken from the inbox folder and may still lie there: a crash between
-- the two is not to take it twice.
CREATE TABLE taken (
  key TEXT PRIMARY KEY,
  at  INTEGER NOT NULL
) STRICT;
