"""The oil: valve edges, pressures, load holding, supply, and the spring that trapped oil is."""
