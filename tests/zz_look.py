import pathlib, pytest
from tests.reported import bad_lot, fetch
from tests.described import describe
from tests.tolerances import SAME_SUM
@pytest.fixture
def engine(): return "sqlite"
OUT=pathlib.Path("/tmp/lt")
def pdf(shop, n):
    h={"Authorization": f"Bearer {shop.tokens['purchasing']}","Accept":"application/pdf"}
    return shop.client.get(f"/v1/letters/{n}",headers=h).data
def test_a(shop):
    bad=bad_lot(shop)
    for kind in ("application/pdf","text/html"):
        (OUT/("bare."+kind[-4:].strip("/n"))).write_bytes(fetch(bad,kind).data)
    body={"claim":"none","signed_by":"Isolde Marrow"}
    m=bad.post("purchasing",f"/lots/{bad.lot_id}/letters",body)
    (OUT/"nothing.pdf").write_bytes(pdf(bad,m["number"]))
    describe(bad, name="Saltmarsh Yard Prints", address="Kiln Lane 4\nSaltmarsh", time_zone="Europe/Berlin", date_form="DD.MM.YYYY", decimal_sign="comma")
    act=bad.post("purchasing",f"/lots/{bad.lot_id}/corrective-actions",{"requested_action":"Find the cause of the yellow colour."})
    body={"claim":"credit","signed_by":"Isolde Marrow","spools":2,"mass_g":2000.0,"amount":49.5,"currency":"EUR","corrective_action_id":act["id"],"note":"The spools are kept apart for you."}
    m=bad.post("purchasing",f"/lots/{bad.lot_id}/letters",body)
    print(m)
    (OUT/"both.pdf").write_bytes(pdf(bad,m["number"]))
    (OUT/"both.html").write_bytes(fetch(bad,"text/html").data)
def test_b(shop):
    lot=shop.good_lot()["lot_id"]
    shop.decide(lot,"block","The filament is wound crosswise.")
    describe(shop, name="Saltmarsh Yard Prints", address="Kiln Lane 4\nSaltmarsh")
    m=shop.post("quality",f"/lots/{lot}/letters",{"claim":"replacement","signed_by":"Isolde Marrow","spools":3})
    (OUT/"hand.pdf").write_bytes(pdf(shop,m["number"]))
