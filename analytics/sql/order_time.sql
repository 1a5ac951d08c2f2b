-- One row per key: time within the window in which at least one order was open (orders follow one another).
with

spans as (
    select * from windows
)

select
    spans.key                                                                                as key,
    sum(least(orders.end_us, spans.to_us) - greatest(orders.start_us, spans.from_us))::bigint as order_us
from orders
inner join spans on orders.start_us < spans.to_us and orders.end_us > spans.from_us
group by spans.key
