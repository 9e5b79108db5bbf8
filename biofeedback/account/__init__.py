"""The account of a session: what each kind of event says, and what all of them mean together, live and afterwards."""
