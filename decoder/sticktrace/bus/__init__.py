"""Who is there: control requests, devices over time, hubs, and which interface owns which endpoint."""
