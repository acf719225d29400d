"""Who is there: addresses, hubs, descriptors, endpoints, configuration."""
