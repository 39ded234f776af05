"""The failures that users of such collectors report most, each as a test on real parts.

Each check runs on a sound daemon, where it must pass, and on daemons broken on purpose
(`tests.faults.broken`), where it must fail: so nobody need believe that it can.
"""
