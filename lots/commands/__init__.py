"""What the commands of `lots` do beyond reading their options."""
