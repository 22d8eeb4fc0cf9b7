"""What whoever stands at the server can have it do: the commands of `dayroll` that are of no account."""
