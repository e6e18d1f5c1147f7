"""What the record says about contact, supply and the need for a person."""
