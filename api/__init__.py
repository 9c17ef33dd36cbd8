"""What people and programs see: pages, JSON, sign-in, notices."""
