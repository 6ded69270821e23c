/** The first schema. Nothing in it may change any more: a later version adds a migration with the next number. */
export const sql = `
CREATE TABLE readings (
  seq          INTEGER PRIMARY KEY,
  id           TEXT    NOT NULL UNIQUE,
  channel      TEXT    NOT NULL,
  started_ms   INTEGER NOT NULL,
  stored_ms    INTEGER NOT NULL,
  reading      TEXT    NOT NULL CHECK (json_valid(reading)),
  trace_digest BLOB    NOT NULL CHECK (length(trace_digest) = 32),
  previous     BLOB    NOT NULL CHECK (length(previous) = 32),
  hash         BLOB    NOT NULL CHECK (length(hash) = 32)
) STRICT;
CREATE INDEX readings_by_channel ON readings (channel, seq);
CREATE INDEX readings_by_start ON readings (started_ms);

CREATE TABLE traces (
  seq     INTEGER PRIMARY KEY REFERENCES readings (seq),
  header  TEXT    NOT NULL CHECK (json_valid(header)),
  samples BLOB    NOT NULL
) STRICT;

CREATE TABLE notes (
  number      INTEGER PRIMARY KEY,
  id          TEXT    NOT NULL UNIQUE,
  reading_seq INTEGER NOT NULL REFERENCES readings (seq),
  note        TEXT    NOT NULL CHECK (json_valid(note)),
  previous    BLOB    NOT NULL CHECK (length(previous) = 32),
  hash        BLOB    NOT NULL CHECK (length(hash) = 32)
) STRICT;
CREATE INDEX notes_by_reading ON notes (reading_seq, number);

-- Where each chain ends; with it a record taken off the end is missed too.
CREATE TABLE heads (
  chain TEXT    PRIMARY KEY,
  last  INTEGER NOT NULL,
  hash  BLOB    NOT NULL CHECK (length(hash) = 32)
) STRICT, WITHOUT ROWID;
INSERT INTO heads VALUES ('readings', 0, zeroblob(32)), ('notes', 0, zeroblob(32));

CREATE TRIGGER readings_keep BEFORE UPDATE ON readings BEGIN SELECT RAISE(ABORT, 'readings are never changed'); END;
CREATE TRIGGER readings_stay BEFORE DELETE ON readings BEGIN SELECT RAISE(ABORT, 'readings are never deleted'); END;
CREATE TRIGGER readings_once BEFORE INSERT ON readings
  WHEN EXISTS (SELECT 1 FROM readings WHERE seq = NEW.seq) OR EXISTS (SELECT 1 FROM readings WHERE id = NEW.id)
  BEGIN SELECT RAISE(ABORT, 'readings are never replaced'); END;
CREATE TRIGGER traces_keep BEFORE UPDATE ON traces BEGIN SELECT RAISE(ABORT, 'traces are never changed'); END;
CREATE TRIGGER traces_stay BEFORE DELETE ON traces BEGIN SELECT RAISE(ABORT, 'traces are never deleted'); END;
CREATE TRIGGER traces_once BEFORE INSERT ON traces WHEN EXISTS (SELECT 1 FROM traces WHERE seq = NEW.seq)
  BEGIN SELECT RAISE(ABORT, 'traces are never replaced'); END;
CREATE TRIGGER notes_keep BEFORE UPDATE ON notes BEGIN SELECT RAISE(ABORT, 'notes are never changed'); END;
CREATE TRIGGER notes_stay BEFORE DELETE ON notes BEGIN SELECT RAISE(ABORT, 'notes are never deleted'); END;
CREATE TRIGGER notes_once BEFORE INSERT ON notes
  WHEN EXISTS (SELECT 1 FROM notes WHERE number = NEW.number) OR EXISTS (SELECT 1 FROM notes WHERE id = NEW.id)
  BEGIN SELECT RAISE(ABORT, 'notes are never replaced'); END;
CREATE TRIGGER heads_forward BEFORE UPDATE ON heads WHEN NEW.last < OLD.last OR NEW.chain <> OLD.chain
  BEGIN SELECT RAISE(ABORT, 'a chain only grows'); END;
CREATE TRIGGER heads_stay BEFORE DELETE ON heads BEGIN SELECT RAISE(ABORT, 'a chain only grows'); END;
`;

/** Triggers that must stand in a sound file; `audit` looks for them. */
export const guards: readonly string[] = [...sql.matchAll(/CREATE TRIGGER (\w+)/g)].map((match) => match[1]!);
