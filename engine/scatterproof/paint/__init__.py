"""Which paint for the markers: what the tracker gains and what key and cleanup pay."""
