"""Making the views anew from the first event, beside the live ones, while the server goes on."""
