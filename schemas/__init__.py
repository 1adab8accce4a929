"""What a circuit, a finding and a review are: facts, their schemas, strict intake."""
