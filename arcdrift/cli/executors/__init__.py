"""Where an analysis runs beside this process: worker processes here, or a Dask cluster."""
