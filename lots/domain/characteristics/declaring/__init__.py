"""The declaration of a characteristic: its parts, the case that it assesses, and assessments shared by several characteristics."""
