"""A simulated day at Ferncliff Yard with the real service: the story, the people, the broker and the telephones."""
