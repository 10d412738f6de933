-- What two sites entered of one thing
-- use: logging
-- Values that two labs corrected without knowing of each other, since their records were merged: both
-- corrections are kept, and the one entered later holds, until the value is corrected again. And what
-- is done to a thing once and both did, like clearing a quarantine: both are kept, the first holds.
-- column record: what was corrected, or what it was done to
-- column column_name: which column of it, or what was done
-- column value_before: value that the correction in force was made from; blank of what is done once
-- column value_in_force: value that holds
-- column site: the site that entered it
-- column entered_by: who
-- column entered_at_utc: when, UTC
-- column reason: why
-- column other_value: the other value, which does not hold
-- column other_site: the site that entered it
-- column other_entered_by: who
-- column other_entered_at_utc: when, UTC
-- column other_reason: why
SELECT
    record, column_name, value_before, value_in_force, site, entered_by, entered_at_utc, reason,
    other_value, other_site, other_entered_by, other_entered_at_utc, other_reason
FROM corrected_apart
UNION ALL
SELECT
    record, column_name, NULL, value_in_force, site, entered_by, entered_at_utc, reason,
    other_value, other_site, other_entered_by, other_entered_at_utc, other_reason
FROM acts_apart
ORDER BY record, column_name, entered_at_utc, other_entered_at_utc
