"""Archives, workbooks and Parquet files, each read as text."""
