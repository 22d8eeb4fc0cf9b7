"""From a row of a view to the thing that the domain computes with."""
