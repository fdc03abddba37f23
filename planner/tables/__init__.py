"""Tables: row models, reading with every problem named, writing."""
