"""What commands have in common: puts sensor, session, recording and page together. No command is imported here."""
