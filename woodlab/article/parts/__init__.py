"""What each study gives to an article."""
