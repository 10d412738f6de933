-- Readings of a claim with the number of drops that the case had lived through by then, voided ones
-- counted, in any series. Voided readings are for "does the answer change?" only.
SELECT
    d.series, d.drop_number, d.peak_g, d.device_kind, d.device, d."case", d.case_model,
    d.drop_height_mm, d.surface, d.orientation, d.status, d.void_reason,
    row_number() OVER (
        PARTITION BY d.case_id ORDER BY d.dropped_at NULLS LAST, d.series, d.drop_number)
        AS case_drop_number
FROM all_drops AS d
WHERE d.purpose = 'test'
    AND CASE WHEN $case_model IS NULL THEN d.case_id IS NULL ELSE d.case_model = $case_model END
ORDER BY d.series, d.drop_number
