-- The dose of a device, drop by drop: what it had lived through by each date.
-- device_dose(exponent) is for any DuckDB client: SELECT * FROM device_dose(6.4).

CREATE MACRO device_dose(exponent) AS TABLE
SELECT
    device, device_model, device_drop_number, dropped_at, series, drop_number, "case", case_model,
    peak_g, status,
    coalesce(sum(power(peak_g / 1000, exponent)) OVER (
        PARTITION BY device ORDER BY device_drop_number), 0) AS shock_dose,
    count(*) FILTER (peak_g IS NULL) OVER (
        PARTITION BY device ORDER BY device_drop_number) AS drops_without_reading
FROM device_shocks;
