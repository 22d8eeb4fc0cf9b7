"""The words for whoever stands beside a machine, which node and server both show."""
