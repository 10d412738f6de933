-- Values corrected at two sites
-- use: logging
-- Values that two labs corrected without knowing of each other, since their records were merged. Both
-- corrections are kept, and the one entered later holds, until the value is corrected again.
-- column record: what was corrected
-- column column_name: which column of it
-- column value_before: value that the correction in force was made from
-- column value_in_force: value that holds
-- column site: the site that made the correction in force
-- column entered_by: who
-- column entered_at_utc: when, UTC
-- column reason: why
-- column other_value: value of the other correction, which does not hold
-- column other_site: the site that made it
-- column other_entered_by: who
-- column other_entered_at_utc: when, UTC
-- column other_reason: why
SELECT
    record, column_name, value_before, value_in_force, site, entered_by, entered_at_utc, reason,
    other_value, other_site, other_entered_by, other_entered_at_utc, other_reason
FROM corrected_apart
ORDER BY record, column_name, entered_at_utc
