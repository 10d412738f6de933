"""One function per thing a user does; the only place where store and models meet."""
