"""Weather services, station files and ensembles."""
