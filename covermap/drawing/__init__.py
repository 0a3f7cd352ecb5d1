"""The pen: look, colours, signs, legends, labels."""
