"""Where addresses lead. Every page and API path of a co-op lies under its own address."""

from django.contrib import admin
from django.urls import include, path

from coop.views.front import jobs

urlpatterns = [
    path("<slug:coop>/feeds/", include("firings.urls_feeds")),
    path("operators/jobs/", jobs, name="jobs"),
    path("operators/", admin.site.urls),
    path("accounts/", include("coop.urls_sign_in")),
    path("", include("coop.urls_people")),
    path("<slug:coop>/api/v1/", include("firings.urls_api")),
    path("<slug:coop>/api/v1/", include("billing.urls_api")),
    path("<slug:coop>/", include("firings.urls")),
    path("<slug:coop>/", include("billing.urls")),
]

handler400 = "coop.http.bad_request"
handler500 = "coop.http.server_error"
