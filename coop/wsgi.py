"""Where gunicorn enters."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coop.settings")
os.environ["COOP_WEB"] = "1"  # row-level security: no rows until a request enters a co-op
application = get_wsgi_application()
