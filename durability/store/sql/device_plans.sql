-- The plan that each device follows; one named for the device beats one named for its model.
SELECT p.specimen AS device, f.name AS plan
FROM all_specimens AS p
JOIN follow_up_assignment AS a ON a.device_id = p.specimen_id OR a.device_model = p.model
JOIN follow_up_plan AS f USING (follow_up_plan_id)
WHERE p.kind = 'device'
QUALIFY row_number() OVER (
    PARTITION BY p.specimen ORDER BY a.device_id IS NULL, a.follow_up_order DESC) = 1
