"""What is known of each stick and of its units, from plug to unplug, learned once."""
