"""replicatord: verified copies of every frame on every drive the settings ask for."""
