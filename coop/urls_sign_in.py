"""The sign-in pages that are used: no sign-up for strangers, no list of further addresses."""

from allauth.account import urls as all_of_them
from django.urls import URLPattern, URLResolver

_LEFT_OUT = {
    "account_email",
    "account_email_verification_sent",
    "account_confirm_email",
    "account_confirm_login_code",
    "account_set_password",
}

urlpatterns: list[URLPattern | URLResolver] = [
    entry for entry in all_of_them.urlpatterns if getattr(entry, "name", None) not in _LEFT_OUT
]
