"""A freedesktop notification service for tests: one JSON line on stdout for each bubble it was asked to show."""
import json
import dbus, dbus.service
from dbus.mainloop.glib import DBusGMainLoop
from gi.repository import GLib


class Service(dbus.service.Object):
    last = 0

    @dbus.service.method("org.freedesktop.Notifications", in_signature="susssasa{sv}i", out_signature="u")
    def Notify(self, app, replaces, icon, summary, body, actions, hints, timeout):
        if not replaces:
            Service.last += 1
        number = int(replaces) or Service.last
        print(json.dumps({
            "app": app, "number": number, "replaces": int(replaces), "summary": summary, "body": body,
            "silent": bool(hints.get("suppress-sound")), "urgency": int(hints.get("urgency", 1)), "timeout": int(timeout),
        }), flush=True)
        return dbus.UInt32(number)

    @dbus.service.method("org.freedesktop.Notifications", out_signature="as")
    def GetCapabilities(self):
        return ["body"]

    @dbus.service.method("org.freedesktop.Notifications", out_signature="ssss")
    def GetServerInformation(self):
        return ("test", "test", "1", "1.2")


DBusGMainLoop(set_as_default=True)
bus = dbus.SessionBus()
name = dbus.service.BusName("org.freedesktop.Notifications", bus)
service = Service(bus, "/org/freedesktop/Notifications")
print(json.dumps({"ready": True}), flush=True)
GLib.MainLoop().run()
