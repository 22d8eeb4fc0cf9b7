"""The agent beside a machine: fetches work ahead, keeps true time, prints, and reports what reached the paper."""
