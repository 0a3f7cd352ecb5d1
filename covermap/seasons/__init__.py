"""Many fields: what to map, who maps it, what is done already, the season book."""
