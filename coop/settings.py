"""Settings, all from the environment; development works with none set."""

SECRET_KEY = "for-a-moment"
INSTALLED_APPS: list[str] = []
USE_TZ = True
