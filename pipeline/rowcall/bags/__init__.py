"""The bags one by one, from the work log: where they fail, how long they last, how many to keep."""
