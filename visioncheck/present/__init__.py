"""Everything that a person reads or sees: sentences, terminal text, charts, pictures, pages."""
