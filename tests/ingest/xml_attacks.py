"""XML that means harm; ROOT stands for the root element. No test in here."""

ATTACKS = {
    "external entity": '<?xml version="1.0"?><!DOCTYPE ROOT [<!ENTITY x SYSTEM "file:///etc/hostname">]><ROOT>&x;</ROOT>',
    "external subset": '<?xml version="1.0"?><!DOCTYPE ROOT SYSTEM "http://localhost/x.dtd"><ROOT/>',
    "parameter entity": '<!DOCTYPE ROOT [<!ENTITY % x SYSTEM "file:///dev/zero"> %x;]><ROOT/>',
    "billion laughs": '<?xml version="1.0"?><!DOCTYPE ROOT [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefghi", "bcdefghij", strict=True))
    + "]><ROOT>&j;</ROOT>",
}
