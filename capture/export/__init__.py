"""An inspection record in forms that other programs and people take away: made alike on bench and server."""
