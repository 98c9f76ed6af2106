"""From what is known of need to lead, risk, the next step and the words for them."""
