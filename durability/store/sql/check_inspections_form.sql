-- One look is made blind or not, and by one version of a check list, which is known.
WITH said AS (
    SELECT
        t.*, min(t.is_blind) OVER look AS least_blind, max(t.is_blind) OVER look AS most_blind,
        min(t.check_list_sha256) OVER look AS first_list,
        max(t.check_list_sha256) OVER look AS last_list,
        f.is_blind AS stored_blind, f.check_list_sha256 AS stored_list
    FROM staged AS t
    LEFT JOIN specimen AS p ON p.code = t.device
    LEFT JOIN inspection AS i ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
    LEFT JOIN inspection_forms AS f ON f.inspection_id = i.inspection_id
    WINDOW look AS (PARTITION BY t.device, t.inspected_at)
), compared AS (
    SELECT
        *, check_list IS NOT NULL AND check_list_sha256 IS NULL AS is_unknown,
        least_blind <> most_blind OR is_blind <> stored_blind AS is_both,
        first_list <> last_list OR check_list_sha256 <> stored_list AS is_of_two
    FROM said
)
SELECT
    staged_order, file_name, source_row,
    CASE WHEN is_both THEN 'blind' ELSE 'check_list' END AS "column",
    CASE WHEN is_both THEN CASE is_blind WHEN true THEN 'yes' WHEN false THEN 'no' END
        ELSE check_list END AS value,
    false AS is_duplicate,
    CASE WHEN is_both THEN 'one look is made blind or not; write the same in each of its rows'
        WHEN is_unknown
        THEN 'no version of a check list begins so; see: durability inspect check-list'
        ELSE 'one look is made by one version of a check list; write the same in each of its rows'
    END AS reason
FROM compared
WHERE is_both OR is_of_two OR is_unknown
