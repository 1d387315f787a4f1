"""Tables, pictures, pages and calendars; they draw what they are given."""
