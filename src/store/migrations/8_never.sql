-- Who never wants to be written to, by the mailbox exactly as its letters reach it. Beside it what
-- counts as one mailbox where letters are counted, and whether the word holds for all of that (1): it
-- does not when whoever said it reads at an address with a `+` in it. What was said before counted
-- for all, and goes on doing so.
CREATE TABLE never_mailboxes (
    mailbox TEXT PRIMARY KEY,
    hash TEXT NOT NULL,
    for_all BIGINT NOT NULL,
    at BIGINT NOT NULL
);
CREATE INDEX never_mailboxes_hash ON never_mailboxes (hash);
INSERT INTO never_mailboxes (mailbox, hash, for_all, at) SELECT hash, hash, 1, at FROM never_write;
DROP TABLE never_write;
