"""What it means: ground cover, evenness and strips."""
