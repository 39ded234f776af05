"""How the process that watches is started, without loading any of it."""

WATCH_CODE = "from dashboards.notify.service import main; main()"
