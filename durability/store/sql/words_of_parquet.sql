SELECT decode(key), decode(value)
FROM parquet_kv_metadata($path)
WHERE decode(key) NOT IN ('ARROW:schema', 'pandas')
