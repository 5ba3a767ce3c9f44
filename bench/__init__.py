"""Measured speeds, as ratios against a peer in the same run; ``bench/README.md`` holds the latest figures."""
