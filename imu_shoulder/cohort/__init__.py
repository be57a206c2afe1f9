"""Many recordings at once: found, analysed in parallel by Dask, kept as Parquet, and asked by DuckDB."""
