-- A seal fingerprints every entry of the record, so that a later change by hand shows.
CREATE TABLE seal (
    seal_number INTEGER PRIMARY KEY CHECK (seal_number >= 1),
    entries BIGINT NOT NULL,
    -- Chained to the seal before it, so that the latest stands for all: note it elsewhere.
    digest VARCHAR NOT NULL CHECK (length(digest) = 64),
    engine_version VARCHAR NOT NULL,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE TABLE sealed_entry (
    -- No reference: a removed entry must still be missed.
    sealed_entry_id UUID PRIMARY KEY,
    seal_number INTEGER NOT NULL,
    digest VARCHAR NOT NULL CHECK (length(digest) = 64),
    -- Kept to name an entry that is gone.
    entered_at_utc TIMESTAMP NOT NULL,
    entered_by VARCHAR NOT NULL,
    command VARCHAR NOT NULL,
    file_name VARCHAR
);
