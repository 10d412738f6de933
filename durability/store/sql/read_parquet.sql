SELECT * FROM read_parquet($path)
