"""Many recordings as one data set: found, read on all cores or a cluster, kept as Parquet tables that join."""
